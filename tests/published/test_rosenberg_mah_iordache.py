"""Network of J. Rosenberg, R. S. H. Mah and C. Iordache, Ind. Eng. Chem. Res. 26 (1987) 555-564.

Network, readings and reconciled flows are read from a reprint (E. C. do Valle, public
repository EDSONCV/dr-ged-benchmarks); the readings are those of its script, and the reconciled set
is the transcriber's weighted least squares.
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
                [1, -1, 0, 1, 0, 1, 0],
                [0, 1, -1, 0, 0, 0, 0],
                [0, 0, 1, -1, -1, 0, 0],
                [0, 0, 0, 0, 1, -1, -1],
            ],
            dtype=float,
        )
    )
    measured = np.array([5.026, 14.722, 14.721, 4.968, 10.088, 5.131, 4.835])
    result = reconcile(balances, np.zeros(4), measured, factor_from_sd(np.ones(7)))
    expected = [4.904952, 14.79862, 14.79862, 4.813762, 9.984857, 5.079905, 4.904952]
    assert np.allclose(result.reconciled, expected, atol=4e-6)
    assert result.statistic == pytest.approx(0.06848, abs=5e-6)
    assert result.dof == 4
