"""The study of months in small: false alarms within their level, large errors found."""

from __future__ import annotations

from scipy.stats import binom

from tests.studies.month_power_study import study

MONTHS = 20


def test_months_without_an_error_raise_no_more_alarms_than_stated() -> None:
    rates = study(0.0, MONTHS, seed=11)
    # One in a thousand sound programs would fail here; the level is 5 %.
    assert rates.found * MONTHS <= binom.isf(0.001, MONTHS, 0.05)
    assert rates.global_failed * MONTHS <= binom.isf(0.001, MONTHS, 0.05)
    assert 0.93 < rates.covered < 0.98


def test_a_titration_off_by_twenty_of_its_uncertainties_is_found_and_named() -> None:
    rates = study(20.0, 10, seed=11, pattern="titrated")
    assert rates.found >= 0.9
    assert rates.named >= 0.7
