"""Sheets of readings, and opening balances of what is more than a lot to the cells."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from pathlib import Path

import pytest

from cells.models import RunReading, SlimesBag
from cells.services.readings import Instruments
from cells.services.start_run import start_run
from lots.ledger.recording import Act
from lots.models import SheetImport
from lots.sheets import drafts
from lots.sheets.columns import Source
from tests.cells.conftest import START
from tests.imported import faults, lines, recorded, sent

SHEETS = Path(__file__).resolve().parents[3] / "fixtures" / "sheets"
DAY = (START - dt.timedelta(days=20)).date().isoformat()
HEAD = ["When", "Current (mA)", "Voltage", "Temp (°C)", "Silver, g/L", "Power off"]


@pytest.fixture
def run(bench):
    return start_run(
        run=bench.charged(), act=bench.act(2), first=Instruments(current_a=Decimal(40))
    )


@pytest.fixture
def by_operator(works):
    return Act(who=works.operator)


def test_a_logger_s_sheet_is_recorded_in_the_order_of_time(bench, run, by_operator):
    made = recorded(
        "readings",
        lines(
            HEAD,
            [f"{DAY} 13:00", "0", "", "", "", "yes"],
            [f"{DAY} 12:00", "39 500", "2610 mV", "31.5", "58.2 g/l", ""],
        ),
        by_operator,
        sources={"run": Source(constant=run.code)},
    )
    noon, one = RunReading.objects.filter(run=run).order_by("taken_at")[1:]
    assert (noon.current_a, noon.voltage_v, noon.temperature_c) == (
        Decimal("39.5"),
        Decimal("2.61"),
        Decimal("31.5"),
    )
    assert (noon.silver_g_per_l, noon.is_interruption) == (Decimal("58.2"), False)
    assert (one.current_a, one.is_interruption) == (0, True)
    assert [row.recorded_pk for row in made.rows.all()] == [one.pk, noon.pk]
    assert {row.recorded_model for row in made.rows.all()} == {"cells.RunReading"}


def test_readings_that_cannot_be_are_named_and_none_is_recorded(bench, run, by_operator):
    before = RunReading.objects.count()
    draft = sent(
        "readings",
        lines(
            [*HEAD, "Run"],
            [f"{DAY} 12:00", "39500", "", "", "", "", run.code],
            [f"{DAY} 12:00", "39500", "", "", "", "", run.code],
            [f"{DAY} 09:00", "39500", "", "", "", "", run.code],
            [f"{DAY} 13:00", "-1", "", "", "", "perhaps", run.code],
            [f"{DAY} 14:00", "39500", "", "", "", "", "RN26-0009-A"],
            [f"{DAY} 15:00", "99000000", "", "", "", "", run.code],
            [f"{DAY} 16:00", "39500", "2.6 A", "", "", "", run.code],
        ),
        by_operator,
    )
    assert faults(draft) == [
        (3, "run", "row_twice"),
        (4, "when", "reading_out_of_order"),
        (5, "is_interruption", "not_yes_or_no"),
        (6, "run", "bad_check_character"),
        (7, "current_a", "too_large"),
        (8, "voltage_v", "unknown_unit"),
    ]
    assert RunReading.objects.count() == before
    assert not SheetImport.objects.exists()


def test_readings_of_a_run_that_is_not_running_are_refused_on_the_run(bench, by_operator):
    run = bench.charged()
    draft = sent(
        "readings",
        lines(HEAD, [f"{DAY} 12:00", "39500", "", "", "", ""]),
        by_operator,
        sources={"run": Source(constant=run.code)},
    )
    assert faults(draft) == [(2, "run", "run_not_running")]


def test_a_bag_found_on_the_opening_day_waits_for_its_recovery(works):
    head = ["Form", "Owner", "Place", "When", "Mass", "Silver", "Gold"]
    day = ["2026-05-04", "70", "40", "12"]
    manager = Act(who=works.manager)
    made = recorded(
        "opening",
        lines(head, ["Slimes bag", "tern-quay", "slimes-cabinet", *day]),
        manager,
    )
    bag = SlimesBag.objects.get()
    assert (bag.state, bag.lot) == ("waiting", made.rows.get().lot)
    draft = sent(
        "opening",
        lines(
            head,
            ["Slimes bag", "brackwater", "slimes-cabinet", *day],
            ["Electrolyte", "tern-quay", "carboys", *day],
            ["Claim", "brackwater", "carboys", "2026-05-04", "", "40", ""],
            ["Feed", "brackwater", "", *day],
        ),
        manager,
    )
    assert faults(draft) == [
        (2, "owner", "not_the_house"),
        (3, "form", "form_not_opened"),
        (4, "place", "not_of_a_claim"),
        (5, "place", "cell_needed"),
    ]
    with pytest.raises(ValueError, match="not been checked"):
        drafts.record_draft(draft=draft, act=manager)


def test_the_sheets_of_readings_in_the_fixtures(bench, run, by_operator):
    """Invented: half a day of a logger, good and bad."""
    of_run = {"run": Source(constant=run.code)}
    bad = sent("readings", (SHEETS / "readings-bad.csv").read_bytes(), by_operator, sources=of_run)
    assert faults(bad) == [
        (4, "run", "row_twice"),
        (5, "when", "ambiguous_date"),
        (6, "current_a", "too_small"),
        (7, "current_a", "ambiguous_number"),
        (8, "when", "cell_needed"),
    ]
    good = (SHEETS / "readings-good.xlsx").read_bytes()
    assert recorded("readings", good, by_operator, sources=of_run).row_count == 24
    read = RunReading.objects.filter(run=run).order_by("taken_at")
    assert read.count() == 25
    assert (read[18].is_interruption, read[18].current_a) == (True, 0)
