"""Ampere-hours, their uncertainty, gaps and the silver they plate."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from cells.electrochemistry.coulometry import (
    Ammeter,
    count_charge,
    cumulative_ah,
    sampling_bound_ah,
    silver_plated,
)
from cells.electrochemistry.current_series import PowerCut, Reading, read_series
from config.refusals import InvalidError

START = datetime(2031, 3, 1, 8, 0, tzinfo=UTC)
EXACT = Ammeter(u_gain=0.0)


def series(*points, cuts=(), max_gap_h=16.0):
    def after(hours):
        return START + timedelta(hours=hours)

    return read_series(
        [Reading(after(hours), current_a) for hours, current_a in points],
        power_cuts=[PowerCut(after(begin), after(end)) for begin, end in cuts],
        max_gap_h=max_gap_h,
    )


def test_trapezoid_over_irregular_readings():
    count = count_charge(series((0, 6.0), (2, 4.0), (8, 3.0), (10, 3.0)), EXACT)
    assert count.ampere_hours == pytest.approx(10.0 + 21.0 + 6.0)
    assert count.powered_h == 10.0
    assert count.gaps == ()
    assert (count.start, count.end) == (START, START + timedelta(hours=10))


def test_power_cut_holds_no_charge():
    count = count_charge(series((0, 5.0), (10, 5.0), cuts=[(2, 6)]), EXACT)
    assert count.ampere_hours == pytest.approx(30.0)


def test_gap_is_set_apart_and_bridged_only_on_request():
    count = count_charge(series((0, 4.0), (2, 4.0), (32, 2.0), (34, 2.0)), EXACT)
    assert count.ampere_hours == pytest.approx(8.0 + 4.0)
    (gap,) = count.gaps
    assert (gap.start, gap.end) == (START + timedelta(hours=2), START + timedelta(hours=32))
    assert (gap.powered_h, gap.bridge_ah) == (30.0, pytest.approx(90.0))
    # Rectangular between 0 and 30 h x 4 A about the straight line's 90 A h.
    assert gap.u_bridge_ah == pytest.approx(np.hypot(120 / np.sqrt(12), 30.0))
    bridged = count.with_gaps_bridged()
    assert bridged.ampere_hours == pytest.approx(102.0)
    assert bridged.u_ampere_hours >= gap.u_bridge_ah
    assert bridged.with_gaps_bridged() is bridged
    assert bridged.powered_h == 34.0


def test_cumulative_charge_stands_still_in_a_gap_unless_bridged():
    points = series((0, 4.0), (2, 4.0), (32, 2.0), (34, 2.0))
    assert cumulative_ah(points).tolist() == pytest.approx([0.0, 8.0, 8.0, 12.0])
    assert cumulative_ah(points, bridge_gaps=True).tolist() == pytest.approx([0, 8, 98, 102])


def test_ammeter_parts_combine_in_squares():
    ammeter = Ammeter(u_gain=0.01, u_reading_a=0.1, u_zero_a=0.02)
    count = count_charge(series((0, 5.0), (1, 5.0), (3, 5.0)), ammeter)
    assert count.u_gain_ah == pytest.approx(0.15)
    assert count.u_zero_ah == pytest.approx(0.06)
    assert count.u_reading_ah == pytest.approx(0.1 * np.sqrt(0.5**2 + 1.5**2 + 1.0**2))
    assert count.u_sampling_ah == 0.0  # a straight line hides nothing
    parts = (count.u_gain_ah, count.u_zero_ah, count.u_reading_ah)
    assert count.u_ampere_hours == pytest.approx(np.linalg.norm(parts))


def test_sampling_bound_covers_the_error_on_a_falling_current():
    hours = np.linspace(0.0, 48.0, 9)
    points = series(*zip(hours.tolist(), (6 * np.exp(-hours / 20)).tolist(), strict=True))
    exact_ah = 6 * 20 * (1 - np.exp(-48 / 20))
    error_ah = abs(count_charge(points, EXACT).ampere_hours - exact_ah)
    assert error_ah < sampling_bound_ah(points) < 5 * error_ah


def test_sampling_bound_of_a_ragged_current_grows_with_the_root_of_its_readings():
    def bound(count):
        ragged = [(hour, 5.0 + (-1) ** hour) for hour in range(count)]
        return sampling_bound_ah(series(*ragged))

    assert bound(401) == pytest.approx(2 * bound(101), rel=0.05)
    # Two triangles of 2 Ah, one up and one down, in squares; each interval is in both.
    assert bound(4) == pytest.approx(2.0)


def test_lone_interval_is_bounded_by_half_its_change():
    points = series((0, 6.0), (4, 2.0))
    assert sampling_bound_ah(points) == pytest.approx(4 * 4 / 2)
    # A half-width is read as a rectangular distribution: GUM (JCGM 100:2008) 4.3.7.
    assert count_charge(points, EXACT).u_sampling_ah == pytest.approx(8 / np.sqrt(3))


def test_an_ampere_for_thirteen_days_plates_about_1_3_kg():
    # Common practice, no source.
    points = series(*((hour, 1.05) for hour in range(0, 13 * 24 + 1, 8)))
    count = count_charge(points, Ammeter(u_gain=0.02))
    plated = silver_plated(count.ampere_hours, count.u_ampere_hours, 0.97, 0.01)
    assert 1_200 < plated.mass_g < 1_400
    assert plated.u_mass_g / plated.mass_g == pytest.approx(np.hypot(0.02, 0.01 / 0.97))


@pytest.mark.parametrize(
    ("arguments", "code", "field"),
    [
        ((-1.0, 0.0, 1.0, 0.0), "too_small", "charge_ah"),
        ((1.0, 0.0, 1.2, 0.0), "too_large", "efficiency"),
        ((1.0, -1.0, 1.0, 0.0), "too_small", "u_charge_ah"),
        ((1.0, 0.0, 1.0, float("nan")), "not_a_number", "u_efficiency"),
    ],
)
def test_impossible_plating_is_refused(arguments, code, field):
    with pytest.raises(InvalidError) as refusal:
        silver_plated(*arguments)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_zero_offset_weighs_more_on_a_small_current():
    ammeter = Ammeter(u_gain=0.01, u_zero_a=0.02)
    assert ammeter.relative_u(5.0) == pytest.approx(np.hypot(0.01, 0.004))
    assert ammeter.relative_u(1.0) > ammeter.relative_u(5.0)
    with pytest.raises(InvalidError) as refusal:
        ammeter.relative_u(0.0)
    assert (refusal.value.code, refusal.value.field) == ("too_small", "mean_current_a")


def test_ammeter_with_negative_uncertainty_is_refused():
    with pytest.raises(InvalidError) as refusal:
        Ammeter(u_gain=-0.01)
    assert (refusal.value.code, refusal.value.field) == ("too_small", "ammeter.u_gain")
