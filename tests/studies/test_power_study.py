"""The power study in small: false alarms within their level, large errors found and named."""

from __future__ import annotations

import numpy as np
from scipy.stats import binom

from tests.studies.power_study import network, study

MONTHS = 120


def test_the_true_flows_balance():
    matrix, true, _ = network()
    assert np.allclose(matrix @ true, 0, atol=1e-6)


def test_false_alarms_stay_within_their_level_and_intervals_cover():
    tally = study(0.0, MONTHS, seed=5)
    # One in a thousand sound programs would fail here; both families are at 5 %.
    most = binom.isf(0.001, MONTHS, 0.05)
    assert tally.global_alarm * MONTHS <= most
    assert tally.named_any * MONTHS <= most
    # Figures of one month are correlated, so months and not figures are counted: 95 % of each.
    assert 0.93 < tally.coverage < 0.97


def test_a_large_error_is_found_and_named():
    """Not all can be: ten standard uncertainties of a small sample drown in the melt beside it."""
    tally = study(10.0, MONTHS, seed=5)
    assert tally.named_any > 0.8
    assert tally.right_or_equivalent > 0.8
