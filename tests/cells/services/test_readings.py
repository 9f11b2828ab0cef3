"""Readings come in order, within the run, and add up to its charge."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from cells.models import CellRun, RunReading
from cells.services.harvest import harvest_run
from cells.services.readings import (
    Instruments,
    TimedInstruments,
    record_reading,
    record_readings,
    withdraw_reading,
)
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from config.refusals import ConflictError, InvalidError, RefusalError


@pytest.fixture
def run(bench) -> CellRun:
    return start_run(run=bench.charged(), act=bench.act(2))


def amperes(value: str, **more: object) -> Instruments:
    return Instruments(Decimal(value), **more)  # type: ignore[arg-type]


def test_irregular_readings_add_up_by_trapezoids(bench, run):
    for hours, value in ((2, "40"), (5, "30"), (11, "20")):
        record_reading(run=run, instruments=amperes(value), act=bench.act(hours))
    run = stop_run(run=run, act=bench.act(12), last=amperes("18"))
    # 3 h at 35 A, 6 h at 25 A, 1 h at 19 A.
    assert run.coulomb_count.ampere_hours == Decimal("274")
    assert run.coulomb_count.standard_uncertainty_ah > Decimal("2.74")
    assert run.coulomb_count.lot == run.charge_lot
    assert run.coulomb_count.reading_count == 4


def test_the_nearest_reading_is_held_to_start_and_stop(bench, run):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(4))
    run = stop_run(run=run, act=bench.act(12))
    assert run.coulomb_count.ampere_hours == Decimal("400")


def test_an_interruption_holds_no_charge_until_the_next_reading(bench, run):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(2))
    record_reading(run=run, instruments=amperes("0", is_interruption=True), act=bench.act(5))
    record_reading(run=run, instruments=amperes("40"), act=bench.act(9))
    run = stop_run(run=run, act=bench.act(12), last=amperes("40"))
    assert run.coulomb_count.ampere_hours == Decimal("240")


def test_an_interruption_may_last_to_the_stop(bench, run):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(2))
    record_reading(run=run, instruments=amperes("40", is_interruption=True), act=bench.act(5))
    run = stop_run(run=run, act=bench.act(12))
    assert run.coulomb_count.ampere_hours == Decimal("120")


def test_a_long_gap_is_set_apart(bench, run):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(2))
    record_reading(run=run, instruments=amperes("40"), act=bench.act(4))
    record_reading(run=run, instruments=amperes("30"), act=bench.act(24))
    run = stop_run(run=run, act=bench.act(25), last=amperes("30"))
    count = run.coulomb_count
    assert count.ampere_hours == Decimal("110")
    assert (count.gap_count, count.gap_h, count.gaps_ah) == (1, Decimal(20), Decimal(700))
    assert count.total_uncertainty_ah > count.standard_uncertainty_ah


def test_a_forgotten_reading_goes_in_between(bench, run):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(8))
    record_reading(run=run, instruments=amperes("20"), act=bench.act(4))
    run = stop_run(run=run, act=bench.act(12), last=amperes("40"))
    # 2 h at 20 A, 4 h at 30 A, 4 h at 40 A.
    assert run.coulomb_count.ampere_hours == Decimal("320")


def test_a_forgotten_reading_of_a_stopped_run_counts_its_charge_again(bench):
    stopped = bench.stopped()
    before = stopped.coulomb_count
    record_reading(run=stopped, instruments=amperes("20"), act=bench.act(4.5))
    record_readings(
        run=stopped,
        readings=[TimedInstruments(bench.act(9.5).moment, amperes("20"))],
        act=bench.act(13),
    )
    stopped.refresh_from_db()
    # 40 A but for two triangles, each 5 h wide and 20 A deep.
    assert (before.ampere_hours, stopped.coulomb_count.ampere_hours) == (Decimal(400), Decimal(300))
    assert stopped.coulomb_count.taken_at >= stopped.stopped_at


def test_refused_out_of_order(bench, run, unchanged):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(6))
    before = unchanged()
    for hours in (1, 6):
        with pytest.raises(InvalidError) as caught:
            record_reading(run=run, instruments=amperes("40"), act=bench.act(hours))
        assert (caught.value.code, caught.value.field) == ("reading_out_of_order", "taken_at")
    with pytest.raises(InvalidError) as caught:
        record_reading(run=run, instruments=amperes("40"), act=bench.act(1000))
    assert (caught.value.code, caught.value.field) == ("in_the_future", "occurred_at")
    with pytest.raises(InvalidError) as caught:
        stop_run(run=run, act=bench.act(5))
    assert (caught.value.code, caught.value.field) == ("reading_out_of_order", "occurred_at")
    with pytest.raises(InvalidError) as caught:
        stop_run(run=run, act=bench.act(1))
    assert (caught.value.code, caught.value.field) == ("out_of_order", "occurred_at")
    assert unchanged() == before


@pytest.mark.parametrize(
    ("figures", "code", "field"),
    [
        ({"current_a": Decimal("-1")}, "too_small", "current_a"),
        ({"current_a": Decimal("1e9")}, "too_large", "current_a"),
        ({"current_a": Decimal("NaN")}, "not_a_number", "current_a"),
        ({"current_a": Decimal("1.23456")}, "too_many_digits", "current_a"),
        ({"current_a": None}, "not_a_number", "current_a"),
        ({"current_a": Decimal(1), "voltage_v": Decimal("Infinity")}, "not_a_number", "voltage_v"),
        ({"current_a": Decimal(1), "temperature_c": Decimal(121)}, "too_large", "temperature_c"),
        ({"current_a": Decimal(1), "silver_g_per_l": Decimal(-1)}, "too_small", "silver_g_per_l"),
    ],
)
def test_refused_figures(bench, run, unchanged, figures, code, field):
    before = unchanged()
    with pytest.raises(InvalidError) as caught:
        record_reading(run=run, instruments=Instruments(**figures), act=bench.act(3))
    assert (caught.value.code, caught.value.field) == (code, field)
    assert unchanged() == before


def test_one_wrong_reading_refuses_the_whole_list(bench, run, unchanged):
    def at(hours: float, value: str) -> TimedInstruments:
        return TimedInstruments(bench.act(hours).moment, amperes(value))

    before = unchanged()
    with pytest.raises(InvalidError) as caught:
        record_readings(run=run, readings=[at(3, "40"), at(4, "41"), at(4, "42")], act=bench.act(9))
    assert (caught.value.code, caught.value.field) == (
        "reading_out_of_order",
        "readings.2.taken_at",
    )
    with pytest.raises(InvalidError) as caught:
        record_readings(run=run, readings=[at(3, "40"), at(4, "-1")], act=bench.act(9))
    assert (caught.value.code, caught.value.field) == ("too_small", "readings.1.current_a")
    naive = TimedInstruments(dt.datetime(2026, 4, 15, 9), amperes("1"))
    with pytest.raises(InvalidError) as caught:
        record_readings(run=run, readings=[naive], act=bench.act(9))
    assert (caught.value.code, caught.value.field) == ("no_time_zone", "readings.0.taken_at")
    with pytest.raises(InvalidError) as caught:
        record_readings(run=run, readings=[at(1000, "1")], act=bench.act(9))
    assert (caught.value.code, caught.value.field) == ("in_the_future", "readings.0.taken_at")
    with pytest.raises(InvalidError) as caught:
        record_readings(run=run, readings=[], act=bench.act(9))
    assert (caught.value.code, caught.value.field) == ("nothing_measured", "readings")
    assert unchanged() == before
    record_readings(run=run, readings=[at(3, "40"), at(4, "41")], act=bench.act(9))
    assert RunReading.objects.filter(run=run).count() == 2


def test_refused_before_the_start_and_after_the_stop(bench, unchanged):
    charged = bench.charged()
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        record_reading(run=charged, instruments=amperes("40"), act=bench.act(3))
    assert (caught.value.code, caught.value.field) == ("run_not_running", "run")
    with pytest.raises(ConflictError) as caught:
        stop_run(run=charged, act=bench.act(3))
    assert (caught.value.code, caught.value.field) == ("run_not_running", "run")
    with pytest.raises(RefusalError) as refusal:
        start_run(run=charged, act=bench.act(0.5))
    assert (refusal.value.code, refusal.value.field) == ("out_of_order", "occurred_at")
    assert unchanged() == before
    stopped = bench.stopped(charged)
    before = unchanged()
    with pytest.raises(InvalidError) as outside:
        record_reading(run=stopped, instruments=amperes("40"), act=bench.act(13))
    assert (outside.value.code, outside.value.field) == ("reading_out_of_order", "taken_at")
    with pytest.raises(ConflictError) as caught:
        start_run(run=stopped, act=bench.act(13))
    assert (caught.value.code, caught.value.field) == ("run_not_charged", "run")
    assert unchanged() == before


def test_a_withdrawn_reading_counts_no_more(bench, run, unchanged):
    record_reading(run=run, instruments=amperes("40"), act=bench.act(2))
    wrong = record_reading(run=run, instruments=amperes("400"), act=bench.act(7))
    run = stop_run(run=run, act=bench.act(12), last=amperes("40"))
    assert run.coulomb_count.ampere_hours == Decimal("2200")
    before = unchanged()
    with pytest.raises(InvalidError) as caught:
        withdraw_reading(reading=wrong, reason=" ", act=bench.act(13))
    assert (caught.value.code, caught.value.field) == ("empty", "reason")
    assert unchanged() == before
    withdraw_reading(reading=wrong, reason="a nought too many", act=bench.act(13))
    run.refresh_from_db()
    assert run.coulomb_count.ampere_hours == Decimal("400")
    with pytest.raises(ConflictError) as again:
        withdraw_reading(reading=wrong, reason="again", act=bench.act(13))
    assert again.value.code == "already_withdrawn"


def test_no_reading_is_withdrawn_once_the_run_is_harvested(bench):
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    with pytest.raises(ConflictError) as caught:
        withdraw_reading(reading=run.readings.first(), reason="wrong", act=bench.act(15))
    assert (caught.value.code, caught.value.field) == ("run_harvested", "run")
    with pytest.raises(ConflictError) as late:
        record_reading(run=run, instruments=amperes("40"), act=bench.act(4))
    assert (late.value.code, late.value.field) == ("run_not_running", "run")


def test_the_database_keeps_readings_as_they_are(bench, run):
    reading = record_reading(run=run, instruments=amperes("40"), act=bench.act(3))
    with pytest.raises(IntegrityError), transaction.atomic():
        RunReading.objects.filter(pk=reading.pk).update(current_a=1)
    with pytest.raises(IntegrityError), transaction.atomic():
        reading.delete()
