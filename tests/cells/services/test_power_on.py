"""Somebody vouches that the power was on: a gap in the readings is then counted."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from django.db import IntegrityError, transaction

from cells.models import CellRun, PowerStatement
from cells.queries.gaps import gaps_of
from cells.services.power_on import state_power_on, withdraw_power_statement
from cells.services.readings import Instruments, record_reading
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from config.refusals import ConflictError, InvalidError


@pytest.fixture
def run(bench) -> CellRun:
    """Read at 2 h and 24 h only, at 40 A and 30 A; stopped at 25 h."""
    run = start_run(run=bench.charged(), act=bench.act(2), first=Instruments(current_a=Decimal(40)))
    record_reading(run=run, instruments=Instruments(Decimal(30)), act=bench.act(24))
    return stop_run(run=run, act=bench.act(25), last=Instruments(Decimal(30)))


def stated(bench, run: CellRun, since: float, until: float) -> PowerStatement:
    return state_power_on(
        run=run, since=bench.act(since).moment, until=bench.act(until).moment, act=bench.act(26)
    )


def test_a_gap_vouched_for_is_counted(bench, run):
    (gap,) = gaps_of(run)
    assert (gap.start, gap.powered_h) == (bench.act(2).moment, 22)
    unsure = run.coulomb_count
    assert (unsure.ampere_hours, unsure.gap_count) == (Decimal(30), 1)
    stated(bench, run, 2, 24)
    run.refresh_from_db()
    count = run.coulomb_count
    # 22 h at 35 A and 1 h at 30 A.
    assert (count.ampere_hours, count.gap_count, count.gaps_ah) == (Decimal(800), 0, 0)
    assert count.total_uncertainty_ah < unsure.total_uncertainty_ah
    assert gaps_of(run) == ()


def test_a_statement_to_the_minute_reaches_to_the_start(bench, run):
    begun = run.started_at
    CellRun.objects.filter(pk=run.pk).update(started_at=begun + dt.timedelta(seconds=20))
    statement = stated(bench, run, 2, 24)
    assert statement.since == begun + dt.timedelta(seconds=20)


def test_a_gap_vouched_for_in_part_stays_one_while_the_rest_is_long(bench, run):
    stated(bench, run, 2, 7)
    assert len(gaps_of(run)) == 1
    stated(bench, run, 6, 9)
    assert gaps_of(run) == ()


def test_withdrawn_it_is_a_gap_again(bench, run, unchanged):
    statement = stated(bench, run, 2, 24)
    with pytest.raises(InvalidError) as empty:
        withdraw_power_statement(statement=statement, reason=" ", act=bench.act(27))
    assert (empty.value.code, empty.value.field) == ("empty", "reason")
    withdraw_power_statement(statement=statement, reason="the fuse was out", act=bench.act(27))
    run.refresh_from_db()
    assert (run.coulomb_count.ampere_hours, run.coulomb_count.gap_count) == (Decimal(30), 1)
    before = unchanged()
    with pytest.raises(ConflictError) as again:
        withdraw_power_statement(statement=statement, reason="again", act=bench.act(28))
    assert again.value.code == "already_withdrawn"
    assert unchanged() == before


@pytest.mark.parametrize(
    ("since", "until", "code", "field"),
    [
        (1, 24, "power_outside_run", "since"),
        (2, 25.5, "power_outside_run", "until"),
        (9, 9, "power_outside_run", "until"),
        (12, 9, "power_outside_run", "until"),
        (12, 1000, "in_the_future", "until"),
    ],
)
def test_refused_outside_the_run(bench, run, unchanged, since, until, code, field):
    before = unchanged()
    with pytest.raises(InvalidError) as caught:
        stated(bench, run, since, until)
    assert (caught.value.code, caught.value.field) == (code, field)
    naive = bench.act(3).moment.replace(tzinfo=None)
    with pytest.raises(InvalidError) as caught:
        state_power_on(run=run, since=naive, until=naive, act=bench.act(26))
    assert (caught.value.code, caught.value.field) == ("no_time_zone", "since")
    assert unchanged() == before


def test_refused_where_the_power_was_off_and_the_other_way_round(bench, run, unchanged):
    off = Instruments(Decimal(0), is_interruption=True)
    record_reading(run=run, instruments=off, act=bench.act(10))
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        stated(bench, run, 2, 11)
    assert (caught.value.code, caught.value.field) == ("power_was_off", "since")
    assert unchanged() == before
    stated(bench, run, 2, 10)
    with pytest.raises(ConflictError) as stands:
        record_reading(run=run, instruments=off, act=bench.act(9))
    assert (stands.value.code, stands.value.field) == ("power_stated_on", "taken_at")


def test_the_database_keeps_it_as_it_is(bench, run):
    statement = stated(bench, run, 2, 24)
    with pytest.raises(IntegrityError), transaction.atomic():
        PowerStatement.objects.filter(pk=statement.pk).update(note="otherwise")
