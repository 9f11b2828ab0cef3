"""Readings and power cuts turned into arrays; what is refused."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from cells.electrochemistry.current_series import PowerCut, PowerOn, Reading, read_series
from config.refusals import InvalidError

START = datetime(2031, 3, 1, 8, 0, tzinfo=UTC)


def after(hours):
    return START + timedelta(hours=hours)


def readings(*points):
    return [Reading(after(hours), current_a) for hours, current_a in points]


def test_irregular_readings_keep_their_times():
    series = read_series(readings((0, 5.0), (1.5, 4.0), (7, 3.0)))
    assert series.clock_h.tolist() == [0.0, 1.5, 7.0]
    assert series.powered_h.tolist() == [0.0, 1.5, 7.0]
    assert series.moment(1) == after(1.5)
    assert not series.gap.any()


def test_power_cut_is_taken_out_of_the_powered_time():
    cut = PowerCut(after(2), after(5))
    series = read_series(readings((0, 5.0), (4, 0.0), (6, 5.0), (8, 5.0)), power_cuts=[cut])
    assert series.clock_h.tolist() == [0.0, 6.0, 8.0]  # the zero inside the cut says nothing new
    assert series.powered_h.tolist() == [0.0, 3.0, 5.0]


def test_zero_at_the_edges_of_a_cut_does_not_bend_the_current():
    cut = PowerCut(after(2), after(5))
    series = read_series(readings((0, 5.0), (2, 0.0), (5, 0.0), (6, 5.0)), power_cuts=[cut])
    assert series.current_a.tolist() == [5.0, 5.0]
    assert series.powered_h.tolist() == [0.0, 3.0]


def test_a_current_at_the_very_moments_of_a_cut_is_taken():
    cut = PowerCut(after(2), after(5))
    series = read_series(readings((0, 5.0), (2, 4.0), (5, 3.0), (6, 5.0)), power_cuts=[cut])
    assert series.current_a.tolist() == [5.0, 4.0, 3.0, 5.0]
    assert series.powered_h.tolist() == [0.0, 2.0, 2.0, 3.0]


def test_a_cut_that_began_before_the_first_reading_counts_from_there():
    cut = PowerCut(after(-3), after(0.5))
    series = read_series(readings((0, 0.0), (1, 5.0), (4, 5.0)), power_cuts=[cut])
    assert series.powered_h.tolist() == [0.5, 3.5]


def test_cuts_before_after_and_between_readings():
    cuts = [
        PowerCut(after(-5), after(-1)),
        PowerCut(after(6), after(7)),
        PowerCut(after(1), after(2)),
        PowerCut(after(2), after(2.5)),
        PowerCut(after(20), after(30)),
    ]
    series = read_series(readings((0, 4.0), (4, 4.0), (10, 4.0)), power_cuts=cuts)
    assert np.allclose(series.powered_h, [0.0, 2.5, 7.5])


def test_gap_is_judged_by_powered_time():
    points = readings((0, 5.0), (20, 5.0), (41, 5.0))
    cut = PowerCut(after(1), after(11))
    series = read_series(points, power_cuts=[cut], max_gap_h=12.0)
    assert series.gap.tolist() == [False, True]


@pytest.mark.parametrize(
    ("points", "code", "field"),
    [
        ([], "too_few_readings", "readings"),
        ([(0, 5.0)], "too_few_readings", "readings"),
        ([(0, 5.0), (0, 5.0)], "readings_not_in_order", "readings"),
        ([(1, 5.0), (0, 5.0)], "readings_not_in_order", "readings"),
        ([(0, 5.0), (1, -0.1)], "too_small", "readings.current_a"),
        ([(0, 5.0), (1, float("nan"))], "not_a_number", "readings.current_a"),
    ],
)
def test_unusable_readings_are_refused(points, code, field):
    with pytest.raises(InvalidError) as refusal:
        read_series(readings(*points))
    assert (refusal.value.code, refusal.value.field) == (code, field)


@pytest.mark.parametrize(
    ("cuts", "code", "field"),
    [
        ([(3, 2)], "power_cut_reversed", "power_cuts"),
        ([(1, 3), (2, 4)], "power_cuts_overlap", "power_cuts"),
        ([(0.5, 1.5)], "reading_in_power_cut", "readings"),
    ],
)
def test_unusable_power_cuts_are_refused(cuts, code, field):
    power_cuts = [PowerCut(after(begin), after(end)) for begin, end in cuts]
    with pytest.raises(InvalidError) as refusal:
        read_series(readings((0, 5.0), (1, 0.5), (5, 5.0)), power_cuts=power_cuts)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_readings_all_inside_a_cut_are_too_few():
    with pytest.raises(InvalidError) as refusal:
        read_series(
            readings((0, 5.0), (1, 0.0), (2, 0.0)), power_cuts=[PowerCut(after(0.5), after(3))]
        )
    assert (refusal.value.code, refusal.value.field) == ("too_few_readings", "readings")


def test_time_without_zone_is_refused():
    naive = datetime(2031, 3, 1, 8, 0)
    with pytest.raises(InvalidError) as refusal:
        read_series([Reading(naive, 5.0), Reading(naive, 5.0)])
    assert (refusal.value.code, refusal.value.field) == ("naive_time", "readings")
    with pytest.raises(InvalidError) as refusal:
        read_series(readings((0, 5.0), (9, 5.0)), power_cuts=[PowerCut(naive, after(2))])
    assert (refusal.value.code, refusal.value.field) == ("naive_time", "power_cuts")


@pytest.mark.parametrize(
    ("vouched", "gaps"),
    [
        ([], [True, False]),
        ([(0, 20)], [False, False]),
        ([(-5, 30)], [False, False]),
        ([(0, 3)], [True, False]),
        ([(0, 3), (2, 4)], [False, False]),
        ([(2, 4), (2, 4)], [True, False]),
        ([(20, 22)], [True, False]),
    ],
)
def test_a_gap_is_none_where_all_but_a_bridgeable_part_is_vouched_for(vouched, gaps):
    series = read_series(
        readings((0, 5.0), (20, 4.0), (22, 4.0)),
        power_on=[PowerOn(after(begin), after(end)) for begin, end in vouched],
        max_gap_h=16,
    )
    assert list(series.gap) == gaps


def test_time_vouched_for_without_zone_is_refused():
    naive = datetime(2031, 3, 1, 8, 0)
    with pytest.raises(InvalidError) as refusal:
        read_series(readings((0, 5.0), (9, 5.0)), power_on=[PowerOn(naive, after(2))])
    assert (refusal.value.code, refusal.value.field) == ("naive_time", "power_on")
