"""The cell's instruments are read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

from cells.models import CellRun, ReadingWithdrawal, RunReading
from cells.services.cell_warnings import look_again
from cells.services.count_charge import recount
from cells.services.run_steps import current_run, require_state
from config.refusals import refuse
from lots import clock
from lots.ledger.recording import Act, check_not_future, recorded_once
from lots.texts import checked_reason
from lots.units import parse_decimal

# Beyond any cell of a small works: a larger figure is a slip of the unit.
CURRENT_A_MAX: Final = Decimal(10_000)
VOLTAGE_V_MAX: Final = Decimal(1_000)
TEMPERATURE_C_MAX: Final = Decimal(120)
TEMPERATURE_C_MIN: Final = Decimal(-20)
G_PER_L_MAX: Final = Decimal(2_000)
DECIMALS_MAX: Final = 4


@dataclass(frozen=True)
class Instruments:
    """What was read. `is_interruption`: the power went off then, until the next reading."""

    current_a: Decimal
    voltage_v: Decimal | None = None
    temperature_c: Decimal | None = None
    silver_g_per_l: Decimal | None = None
    copper_g_per_l: Decimal | None = None
    free_acid_g_per_l: Decimal | None = None
    is_interruption: bool = False


@dataclass(frozen=True)
class TimedInstruments:
    """What was read, and when."""

    taken_at: dt.datetime
    instruments: Instruments


@recorded_once
def record_reading(*, run: CellRun, instruments: Instruments, act: Act) -> RunReading:
    """Records one reading of a running cell, at the act's moment.

    Raises ConflictError `run_not_running`; InvalidError `reading_out_of_order`, `in_the_future`,
    and what `parse_decimal` raises on the field of each figure.
    """
    run = _running(run)
    reading = keep_reading(run, instruments, act.moment, act)
    look_again(run, act.moment)
    return reading


@recorded_once
def record_readings(*, run: CellRun, readings: Sequence[TimedInstruments], act: Act) -> CellRun:
    """Records many readings at once, in their order; one wrong reading refuses them all."""
    run = _running(run)
    if not readings:
        raise refuse("nothing_measured:readings", field="readings")
    previous = _latest(run)
    rows = []
    for index, each in enumerate(readings):
        field = f"readings.{index}"
        _check_instruments(each.instruments, f"{field}.")
        _check_order(run, each.taken_at, previous, f"{field}.taken_at")
        previous = each.taken_at
        rows.append(_row(run, each.instruments, each.taken_at, act))
    RunReading.objects.bulk_create(rows, batch_size=500)
    look_again(run, act.moment)
    return run


@recorded_once
def withdraw_reading(*, reading: RunReading, reason: str, act: Act) -> ReadingWithdrawal:
    """Takes a wrong reading out of the count; it stays on record with the reason.

    Raises ConflictError `run_harvested`, `already_withdrawn`, and what `checked_reason` raises.
    """
    run = current_run(reading.run)
    require_state(
        run,
        CellRun.State.RUNNING,
        CellRun.State.STOPPED,
        code="run_harvested",
        remedy="Reverse the harvest first.",
    )
    reason = checked_reason(reason)
    if ReadingWithdrawal.objects.filter(reading=reading).exists():
        raise refuse("already_withdrawn", field="reading", value=reading.pk)
    withdrawal = ReadingWithdrawal.objects.create(
        reading=reading,
        reason=reason,
        withdrawn_at=act.moment,
        withdrawn_by_id=act.who.pk,
    )
    if run.state == CellRun.State.STOPPED:
        recount(run, act)
    look_again(run, act.moment)
    return withdrawal


def keep_reading(
    run: CellRun, instruments: Instruments, taken_at: dt.datetime, act: Act
) -> RunReading:
    """A reading as a fact of the run; for services that read as part of what they do."""
    _check_instruments(instruments, "")
    _check_order(run, taken_at, _latest(run), "taken_at")
    reading = _row(run, instruments, taken_at, act)
    reading.save(force_insert=True)
    return reading


def _running(run: CellRun) -> CellRun:
    run = current_run(run)
    require_state(
        run,
        CellRun.State.RUNNING,
        code="run_not_running",
        remedy="Start the run first; a stopped run takes no more readings.",
    )
    return run


def _latest(run: CellRun) -> dt.datetime | None:
    return (
        RunReading.objects.filter(run=run, withdrawal__isnull=True)
        .order_by("-taken_at")
        .values_list("taken_at", flat=True)
        .first()
    )


def _check_order(
    run: CellRun, taken_at: dt.datetime, previous: dt.datetime | None, field: str
) -> None:
    """Refuses a reading before the start, after the stop, or not after the one before it."""
    if taken_at.tzinfo is None:
        raise refuse("no_time_zone", field=field, value=taken_at)
    check_not_future(taken_at, clock.now(), field=field)
    assert run.started_at is not None
    if taken_at < run.started_at:
        fault = f"before the run was started ({run.started_at:%Y-%m-%d %H:%M} UTC)"
    elif run.stopped_at is not None and taken_at > run.stopped_at:
        fault = f"after the run was stopped ({run.stopped_at:%Y-%m-%d %H:%M} UTC)"
    elif previous is not None and taken_at <= previous:
        fault = f"not after the reading before it ({previous:%Y-%m-%d %H:%M} UTC)"
    else:
        return
    raise refuse("reading_out_of_order", field=field, value=taken_at.isoformat(), fault=fault)


def _check_instruments(instruments: Instruments, prefix: str) -> None:
    zero = Decimal(0)
    for name, lowest, highest in (
        ("current_a", zero, CURRENT_A_MAX),
        ("voltage_v", zero, VOLTAGE_V_MAX),
        ("temperature_c", TEMPERATURE_C_MIN, TEMPERATURE_C_MAX),
        ("silver_g_per_l", zero, G_PER_L_MAX),
        ("copper_g_per_l", zero, G_PER_L_MAX),
        ("free_acid_g_per_l", zero, G_PER_L_MAX),
    ):
        value = getattr(instruments, name)
        if value is not None or name == "current_a":
            parse_decimal(
                value,
                field=f"{prefix}{name}",
                minimum=lowest,
                maximum=highest,
                decimals_max=DECIMALS_MAX if name != "temperature_c" else 2,
            )


def _row(run: CellRun, instruments: Instruments, taken_at: dt.datetime, act: Act) -> RunReading:
    return RunReading(
        run=run,
        taken_at=taken_at,
        recorded_at=clock.now(),
        recorded_by_id=act.who.pk,
        current_a=instruments.current_a,
        voltage_v=instruments.voltage_v,
        temperature_c=instruments.temperature_c,
        silver_g_per_l=instruments.silver_g_per_l,
        copper_g_per_l=instruments.copper_g_per_l,
        free_acid_g_per_l=instruments.free_acid_g_per_l,
        is_interruption=instruments.is_interruption,
        note=act.note,
    )
