"""Mineral circuit of D. Mandel and others, Int. J. Mineral Processing 53 (1998) 157.

Circuit and readings are read from a reprint (E. C. do Valle, public repository
EDSONCV/dr-ged-benchmarks), whose author filled in the streams that were not measured and solved by
weighted least squares. The paper's own reconciled values follow another objective and are no check.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from reports.statistics.covariance import factor_from_sd
from reports.statistics.reconcile import reconcile


def test_reconciled_flows_and_global_statistic():
    balances = csr_array(
        np.array(
            [
                [1, -1, -1, 0, 0, 0, 0, 0, 0, 0, 0, 0],
                [0, 0, 1, -1, -1, 0, 0, 0, 0, 0, 0, 0],
                [0, 0, 0, 0, 1, -1, -1, 0, 0, 0, 0, 0],
                [0, 0, 0, 0, 0, 0, 1, 1, -1, 0, 0, 0],
                [0, 0, 0, 0, 0, 0, 0, -1, 0, 1, 0, -1],
                [0, 0, 0, 0, 0, 0, 0, 0, 1, -1, -1, 0],
            ],
            dtype=float,
        )
    )
    measured = np.array(
        [250.5, 21.6, 207, 36.5, 172.5, 17.6, 144.9, 47, 212, 96, 90.5, 47.7], dtype=float
    )
    sd = np.array([37.575, 1.08, 5, 1.825, 2, 0.88, 7.245, 1, 5, 2, 18.1, 2.385])
    result = reconcile(balances, np.zeros(6), measured, factor_from_sd(sd))
    expected = [
        230.63308, 21.616413, 209.01667, 36.278195, 172.73847, 17.50226, 155.23621, 47.433274,
        202.66949, 95.759788, 106.9097, 48.326514,
    ]  # fmt: skip
    assert np.allclose(result.reconciled, expected, atol=5e-5)
    assert result.statistic == pytest.approx(7.094613, abs=5e-6)
    assert result.dof == 6
