"""Steam-metering network: R. W. Serth and W. A. Heenan, AIChE Journal 32 (1986) 733.

Network, true flows and the 2.5 % standard deviations are the paper's, read from a reprint
(E. C. do Valle, public repository EDSONCV/dr-ged-benchmarks, problem P15). The measured set is the
transcriber's own (true value plus noise), as is the reconciled set used as the check. Figures
marked "computed" follow from these by weighted least squares and are printed nowhere.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from reports.statistics.covariance import factor_from_sd
from reports.statistics.reconcile import reconcile
from reports.statistics.suspects import find_suspects

# (streams in, streams out) of each node, numbered from 1.
NODES = [
    ([1, 2, 4], [3]),
    ([7, 8], [5, 6, 9]),
    ([5], [1, 10]),
    ([10, 11], [12]),
    ([3, 13], [11, 14, 15, 16, 17]),
    ([6], [2, 13]),
    ([14, 18], [7, 19, 20, 21]),
    ([15, 22], [18, 23, 24]),
    ([12, 16], [22, 25]),
    ([19, 23, 27], [26]),
    ([20, 26, 28], [8]),
]
TRUE = [
    0.86, 1, 111.82, 109.96, 53.27, 112.27, 2.32, 164.05, 0.83, 52.41, 14.86, 67.27, 111.27, 91.86,
    60, 23.64, 32.73, 16.23, 7.85, 10.6, 87.32, 5.45, 2.59, 46.63, 85.46, 81.23, 70.79, 72.22,
]  # fmt: skip
MEASURED = [
    0.875, 0.989, 108.426, 107.799, 50.149, 110.327, 2.201, 165.779, 0.821, 51.779, 14.757, 67.183,
    107.734, 89.855, 58.554, 23.258, 31.879, 15.843, 7.920, 10.130, 91.047, 5.555, 2.471, 44.687,
    81.656, 82.839, 70.685, 72.913,
]  # fmt: skip
SD = [
    0.022, 0.025, 2.796, 2.749, 1.332, 2.807, 0.058, 4.101, 0.021, 1.310, 0.372, 1.682, 2.782,
    2.297, 1.500, 0.591, 0.818, 0.406, 0.196, 0.263, 2.183, 0.136, 0.065, 1.166, 2.137, 2.033,
    1.770, 1.806,
]  # fmt: skip
TRANSCRIBED = [
    0.8747574, 0.9892059, 109.1902, 107.3262, 52.00866, 112.031, 2.19709, 162.6638, 0.8212686,
    51.13391, 14.76092, 65.89483, 111.0418, 92.59158, 57.91524, 23.10888, 31.85533, 15.97531,
    7.8989, 10.06241, 88.40849, 5.557647, 2.47207, 45.02551, 83.44606, 81.06979, 70.69882, 71.53161,
]  # fmt: skip
COMPUTED = [
    0.87476, 0.98921, 109.18967, 107.32571, 52.00855, 112.03143, 2.19709, 162.66416, 0.82127,
    51.1338, 14.76092, 65.89472, 111.04222, 92.59146, 57.91511, 23.10886, 31.85554, 15.9753,
    7.8989, 10.06241, 88.40836, 5.55765, 2.47207, 45.02539, 83.44593, 81.07006, 70.69908, 71.5317,
]  # fmt: skip
COMPUTED_SD = [
    0.022, 0.025, 1.55358, 1.55356, 0.74481, 1.30181, 0.05798, 1.33145, 0.021, 0.74473, 0.36096,
    0.77522, 1.3019, 1.40247, 0.91849, 0.56461, 0.79107, 0.39401, 0.19495, 0.26106, 1.39912,
    0.13542, 0.06494, 0.89693, 0.90875, 1.17632, 1.17726, 1.37726,
]  # fmt: skip


def balances():
    matrix = np.zeros((11, 28))
    for row, (inward, outward) in enumerate(NODES):
        matrix[row, [stream - 1 for stream in inward]] = 1
        matrix[row, [stream - 1 for stream in outward]] = -1
    return csr_array(matrix)


def solve(values):
    return reconcile(balances(), np.zeros(11), np.array(values), factor_from_sd(np.array(SD)))


def test_the_true_flows_balance():
    assert np.allclose(balances() @ np.array(TRUE), 0, atol=1e-9)


def test_reconciled_flows_agree_with_the_published_ones():
    assert np.allclose(solve(MEASURED).reconciled, TRANSCRIBED, atol=1e-3)


def test_figures_and_tests_computed():
    result = solve(MEASURED)
    doubt = find_suspects(result)
    assert np.allclose(result.reconciled, COMPUTED, atol=1e-5)
    assert np.allclose(result.sd_after, COMPUTED_SD, atol=1e-5)
    assert result.statistic == pytest.approx(10.685693, abs=5e-7)
    assert result.dof == 11
    assert result.p_value == pytest.approx(0.46996, abs=5e-6)
    assert doubt.global_limit == pytest.approx(19.6751, abs=5e-5)
    assert doubt.limit == pytest.approx(3.1165, abs=5e-5)
    residuals = [1.237, 6.683, -2.505, -0.647, -2.143, 1.604, -5.6, 1.108, 3.23, -1.763, 0.103]
    assert np.allclose(result.residuals, residuals, atol=1e-9)
    worst = max(doubt.measurement_tests, key=lambda test: abs(test.z))
    assert worst.index == 6
    assert abs(worst.z) == pytest.approx(2.5125, abs=5e-5)
    assert doubt.suspects == ()


@pytest.mark.parametrize("stream", [3, 8, 15, 25])
def test_a_large_error_planted_in_the_true_flows_is_named(stream):
    values = np.array(TRUE, dtype=float)
    values[stream - 1] += 12 * SD[stream - 1]
    doubt = find_suspects(solve(values))
    # Every reading but one is exact here, so the answer does not hang on noise.
    assert doubt.suspects[0].index == stream - 1
    assert len(doubt.suspects) == 1
    assert doubt.suspects[0].bias == pytest.approx(12 * SD[stream - 1])
