"""Book less physical, its verdict, and the slow loss that no single month shows."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties  # type: ignore[import-untyped]

from reports.statistics.inventory_difference import (
    Verdict,
    alarm_probability,
    inventory_difference,
    page_limit,
    sequence,
    sequence_of,
    verdict,
)
from reports.statistics.uncertainty import Figure, measured


def months(loss, *, count_u=3.0, flow_u=2.0):
    """Monthly differences that share their counts, free of noise."""
    return [
        Figure(
            lost,
            {f"count {month}": count_u, f"count {month + 1}": -count_u, f"flow {month}": flow_u},
        )
        for month, lost in enumerate(loss)
    ]


def test_a_plain_month():
    answer = inventory_difference(
        [measured(1000.0, 1.0, "opening")],
        [measured(400.0, 0.5, "receipt 1"), measured(250.0, 0.5, "receipt 2")],
        [measured(600.0, 0.5, "shipment")],
        [measured(1044.0, 1.0, "closing")],
    )
    assert answer.difference == pytest.approx(6.0)
    assert answer.u == pytest.approx(math.sqrt(2.75))
    assert answer.limit_of_error_95 == pytest.approx(1.959964 * math.sqrt(2.75))
    assert answer.verdict is Verdict.SIGNIFICANT_99


def test_terms_that_share_an_assay_partly_cancel():
    """Metal that came in and went out on one assay carries none of that assay's error."""
    grade = uncertainties.ufloat(0, 1.0)
    came = Figure(500.0, {"assay": 5.0, "weighing in": 0.3})
    went = Figure(480.0, {"assay": 4.8, "weighing out": 0.3})
    answer = inventory_difference([], [came], [went], [measured(20.0, 0.2, "count")])
    reference = (
        (500 + 5 * grade + uncertainties.ufloat(0, 0.3))
        - (480 + 4.8 * grade + uncertainties.ufloat(0, 0.3))
        - uncertainties.ufloat(20, 0.2)
    )
    assert answer.u == pytest.approx(reference.std_dev)
    assert answer.verdict is Verdict.WITHIN


@pytest.mark.parametrize(
    ("size", "expected"),
    [
        (1.95, Verdict.WITHIN),
        (1.97, Verdict.SIGNIFICANT_95),
        (2.57, Verdict.SIGNIFICANT_95),
        (2.58, Verdict.SIGNIFICANT_99),
    ],
)
def test_verdicts_change_at_their_limits_on_both_sides(size, expected):
    assert verdict(size, 1.0) is expected
    assert verdict(-size, 1.0) is expected


def test_exact_figures_leave_no_room():
    assert verdict(0.0, 0.0) is Verdict.WITHIN
    assert verdict(0.001, 0.0) is Verdict.SIGNIFICANT_99


def test_a_slow_loss_is_found_that_no_single_month_shows():
    loss = [0.0] * 6 + [4.0] * 12
    figures = months(loss)
    answer = sequence(figures)
    assert all(verdict(figure.value, figure.u) is Verdict.WITHIN for figure in figures)
    assert answer.alarm_month is not None
    assert 6 < answer.alarm_month <= 17
    assert answer.is_loss is True
    assert answer.start_month == 6
    assert answer.rate == pytest.approx(4.0)
    assert answer.cumulative[-1] == pytest.approx(48.0)
    assert answer.rate_z > 3


def test_the_cumulative_difference_keeps_only_the_outer_counts():
    answer = sequence(months([0.0] * 5, count_u=3.0, flow_u=2.0))
    assert answer.cumulative_u[-1] == pytest.approx(math.sqrt(2 * 9 + 5 * 4))


def test_a_gain_is_told_from_a_loss():
    answer = sequence(months([-6.0] * 10))
    assert answer.is_loss is False
    assert answer.rate == pytest.approx(-6.0)


def test_residuals_are_independent_whatever_the_covariance():
    figures = months([0.0] * 6)
    covariance = np.array([[a.covariance(b) for b in figures] for a in figures])
    transform = np.column_stack([sequence_of(unit, covariance).residuals for unit in np.eye(6)])
    assert np.allclose(transform @ covariance @ transform.T, np.eye(6))


def test_months_without_loss_keep_the_stated_level():
    generator = np.random.default_rng(20_240_611)
    figures = months([0.0] * 12)
    covariance = np.array([[a.covariance(b) for b in figures] for a in figures])
    draws = generator.multivariate_normal(np.zeros(12), covariance, size=600)
    runs = len(draws)
    alarms = sum(sequence_of(draw, covariance).alarm_month is not None for draw in draws)
    # Five standard deviations of a binomial of 0.05 either side.
    assert abs(alarms / runs - 0.05) < 5 * math.sqrt(0.05 * 0.95 / runs)


def test_the_limit_gives_the_level_it_was_asked_for():
    limit = page_limit(24, 0.025)
    assert alarm_probability(24, limit) == pytest.approx(0.025, rel=1e-6)
    generator = np.random.default_rng(7)
    draws = generator.standard_normal((40_000, 24))
    total, highest = np.zeros(40_000), np.zeros(40_000)
    for month in range(24):
        total = np.maximum(0, total + draws[:, month] - 0.5)
        highest = np.maximum(highest, total)
    assert (highest > limit).mean() == pytest.approx(0.025, abs=5 * math.sqrt(0.025 / 40_000))


def test_one_month_alone_is_the_single_test():
    # One step alarms above limit + allowance, which is the one-sided normal limit.
    assert page_limit(1, 0.025) + 0.5 == pytest.approx(1.959964, abs=2e-2)


@pytest.mark.parametrize("covariance", [np.zeros((0, 0)), np.zeros((2, 2))])
def test_no_months_or_no_uncertainty_is_our_mistake(covariance):
    with pytest.raises(ValueError, match="needs months"):
        sequence_of(np.zeros(len(covariance)), covariance)
