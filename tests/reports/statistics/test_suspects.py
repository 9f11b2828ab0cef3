"""Naming the measurement to doubt, and saying when two cannot be told apart."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array
from scipy.stats import norm

from reports.statistics import constrained_fit
from reports.statistics.covariance import factor_from_sd
from reports.statistics.reconcile import reconcile
from reports.statistics.suspects import find_suspects, holm_p, plain_words, sidak_limit, sidak_p

# A lot goes through three stations, is split in two, and the parts are joined again.
ROUTE = csr_array(
    np.array(
        [
            [1, -1, 0, 0, 0, 0, 0],
            [0, 1, -1, 0, 0, 0, 0],
            [0, 0, 1, -1, -1, 0, 0],
            [0, 0, 0, 1, 1, -1, 0],
            [0, 0, 0, 0, 0, 1, -1],
        ],
        dtype=float,
    )
)
TRUE = np.array([1000.0, 1000, 1000, 600, 400, 1000, 1000])


@pytest.fixture(params=["orthogonal", "sparse"], autouse=True)
def engine(request, monkeypatch):
    if request.param == "sparse":
        monkeypatch.setattr(constrained_fit, "DENSE_CELLS_MAX", -1)
    return request.param


def doubt(values, sd, matrix=ROUTE):
    result = reconcile(matrix, np.zeros(matrix.shape[0]), values, factor_from_sd(sd))
    return find_suspects(result)


def test_a_mis_keyed_weighing_is_named_with_size_and_sign():
    values = TRUE.copy()
    values[2] += 100
    found = doubt(values, np.full(7, 5.0))
    assert [suspect.index for suspect in found.suspects] == [2]
    assert found.suspects[0].bias == pytest.approx(100)
    assert found.suspects[0].u == pytest.approx(5 / np.sqrt(1 - 5**-1), rel=0.05)
    assert found.global_failed
    assert found.statistic_left == pytest.approx(0, abs=1e-6)


def test_a_low_reading_has_a_negative_bias():
    values = TRUE.copy()
    values[5] -= 60
    assert doubt(values, np.full(7, 5.0)).suspects[0].bias == pytest.approx(-60)


def test_two_errors_are_both_named():
    values = TRUE.copy()
    values[1] += 100
    values[6] -= 80
    found = doubt(values, np.full(7, 5.0))
    assert {suspect.index for suspect in found.suspects} == {1, 6}
    sizes = {suspect.index: suspect.bias for suspect in found.suspects}
    assert sizes[1] == pytest.approx(100)
    assert sizes[6] == pytest.approx(-80)
    assert found.dof_left == 3


def test_no_more_suspects_are_named_than_asked_for_and_none_is_its_own_rival():
    values = TRUE.copy()
    values[1] += 100
    values[6] -= 80
    result = reconcile(ROUTE, np.zeros(5), values, factor_from_sd(np.full(7, 5.0)))
    assert [each.index for each in find_suspects(result, suspects_max=1).suspects] == [1]
    for suspect in find_suspects(result).suspects:
        assert suspect.index not in suspect.rivals


def test_rivals_fit_nearly_as_well_and_the_best_comes_first():
    """Four weighings of one lot: z is 3.23, -2.66, -2.77 and 2.19 of a mean of 100."""
    matrix = csr_array([[1.0, -1, 0, 0], [0, 1, -1, 0], [0, 0, 1, -1]])
    values = np.array([114.0, 88.5, 88, 109.5])
    result = reconcile(matrix, np.zeros(3), values, factor_from_sd(np.full(4, 5.0)))
    (suspect,) = find_suspects(result, suspects_max=1).suspects
    assert suspect.z == pytest.approx(14 / (5 * 0.75**0.5))
    # z^2 less 3.84, the 95 % point of chi-squared with one degree of freedom: |z| above 2.57.
    assert (suspect.index, suspect.rivals) == (0, (2, 1))


def test_measurements_that_cannot_be_told_apart_are_named_together():
    values = TRUE.copy()
    values[3] += 90
    found = doubt(values, np.full(7, 5.0))
    suspect = found.suspects[0]
    assert {suspect.index, *(index for index, _ in suspect.equivalent)} == {3, 4}
    assert suspect.equivalent[0][1] == pytest.approx(suspect.bias)
    by_index = {test.index: test for test in found.measurement_tests}
    assert by_index[3].equivalent == (4,)
    assert by_index[3].z == pytest.approx(by_index[4].z)


def test_in_and_out_of_one_node_are_equivalent_with_opposite_sign():
    matrix = csr_array([[1.0, -1.0]])
    found = doubt(np.array([110.0, 100.0]), np.ones(2), matrix)
    assert found.suspects[0].bias == pytest.approx(-found.suspects[0].equivalent[0][1])


def test_nothing_is_suspected_in_a_sound_month():
    found = doubt(TRUE + np.array([3.0, -2, 4, 1, -3, 2, -4]), np.full(7, 5.0))
    assert found.suspects == ()
    assert (found.statistic_left, found.dof_left) == (found.statistic, found.dof)
    assert not found.global_failed
    assert not any(test.flagged for test in found.nodal_tests)


def test_a_broken_balance_shows_in_the_nodal_test():
    values = TRUE.copy()
    values[5:] -= 50
    found = doubt(values, np.full(7, 5.0))
    flagged = [test.rows for test in found.nodal_tests if test.flagged]
    assert flagged == [(3,)]
    assert next(t for t in found.nodal_tests if t.rows == (3,)).residual == pytest.approx(50)


def test_balances_joined_over_an_unmeasured_flow_are_tested_as_one():
    values = TRUE.copy()
    values[2] = np.nan
    rows = {test.rows for test in doubt(values, np.full(7, 5.0)).nodal_tests}
    assert (1, 2) in rows


def test_an_exact_figure_can_be_suspected():
    values = TRUE.copy()
    values[0] += 100
    sd = np.full(7, 5.0)
    sd[0] = 0.0
    assert doubt(values, sd).suspects[0].index == 0


def test_no_redundancy_means_no_test():
    found = doubt(np.array([1000.0, *[np.nan] * 6]), np.full(7, 5.0))
    assert found.measurement_tests == ()
    assert found.nodal_tests == ()
    assert found.suspects == ()


def test_sidak_and_holm_by_hand():
    assert sidak_limit(0.05, 6) == pytest.approx(2.6310, abs=5e-5)
    assert sidak_limit(0.05, 28) == pytest.approx(3.1165, abs=5e-5)
    assert sidak_limit(0.05, 1) == pytest.approx(norm.isf(0.025))
    assert sidak_p(np.array([0.01, 0.2])) == pytest.approx([1 - 0.99**2, 1 - 0.8**2])
    assert holm_p(np.array([0.01, 0.04, 0.03])) == pytest.approx([0.03, 0.06, 0.06])


@pytest.mark.parametrize(
    ("bias", "u", "figure"),
    [
        (98.4, 12, "100 g high"),
        (-0.0341, 0.0002, "0.034 g low"),
        (-1234.1, 0.01, "1200 g low"),
        (100.2, 3.0, "100 g high"),
        (99.96, 0.1, "100 g high"),
        (0.0, 0.1, "0 g low"),
        (98.4, 0.0, "98 g high"),
    ],
)
def test_plain_words_round_to_sense(bias, u, figure):
    sentence = plain_words("weighing W", bias, u, "g", "re-weigh this lot first")
    assert sentence == f"weighing W reads about {figure}; re-weigh this lot first"
