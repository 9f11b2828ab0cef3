"""The cell's instruments are read."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Annotated, Final

from cells.models import CellRun, ReadingWithdrawal, RunReading
from cells.queries.current_series import power_statements_of, readings_of
from cells.queries.likely import reading_held, readings_held
from cells.services.cell_warnings import look_again
from cells.services.count_charge import recount
from cells.services.run_steps import ON_RUN, current_run, require_state
from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, Event, On, questions_of
from lots.ledger.recording import Act, check_not_future, recorded_once
from lots.texts import REASON_MAX, checked_reason
from lots.units import parse_decimal

READINGS_MAX: Final = 5000


def _figure(
    label: str, at_most: int = 2_000, at_least: int = 0, digits: int = 10, decimals: int = 4
) -> Asks:
    """Limits beyond any cell of a small works: a larger figure is a slip of the unit."""
    return Asks(label, at_least=at_least, at_most=at_most, digits=digits, decimals=decimals)


CURRENT: Final = _figure("Current, A", 10_000, digits=9)


@dataclass(frozen=True)
class Instruments:
    """What was read. `is_interruption`: the power went off then, until the next reading."""

    current_a: Annotated[Decimal, CURRENT]
    voltage_v: Annotated[Decimal | None, _figure("Voltage, V", 1_000, digits=8)] = None
    temperature_c: Annotated[
        Decimal | None, _figure("Temperature, °C", 120, at_least=-20, digits=6, decimals=2)
    ] = None
    silver_g_per_l: Annotated[Decimal | None, _figure("Silver in the bath, g/L")] = None
    copper_g_per_l: Annotated[Decimal | None, _figure("Copper in the bath, g/L")] = None
    free_acid_g_per_l: Annotated[Decimal | None, _figure("Free nitric acid, g/L")] = None
    is_interruption: Annotated[bool, Asks("The power went off now, until the next reading")] = False


@dataclass(frozen=True)
class TimedInstruments:
    """What was read, and when."""

    taken_at: dt.datetime
    instruments: Instruments


@recorded_once
def record_reading(*, run: CellRun, instruments: Instruments, act: Act) -> RunReading:
    """Records one reading, at the act's moment: any between the run's start and its stop.

    Raises ConflictError `run_not_running`; InvalidError `reading_out_of_order`, `in_the_future`,
    `power_stated_on`, and what `parse_decimal` raises on the field of each figure.
    """
    run = open_to_readings(run)
    reading = keep_reading(run, instruments, act.moment, act)
    count_again(run, act)
    return reading


READ: Final = Event(
    record_reading,
    on=ON_RUN,
    at="readings",
    page_at="read",
    name="run-read",
    about="Record the instruments of a running cell.",
    title="Read the cell",
    button="Keep the reading",
    done="The reading is kept.",
    order=("current_a", "voltage_v"),
    cautions=("run",),
    likely=reading_held,
)


@recorded_once
def record_readings(
    *,
    run: CellRun,
    readings: Annotated[Sequence[TimedInstruments], Asks("When, A and V", at_most=READINGS_MAX)],
    act: Act,
) -> CellRun:
    """Records many readings at once, in any order; one wrong reading refuses them all."""
    run = open_to_readings(run)
    if not readings:
        raise refuse("nothing_measured:readings", field="readings")
    known = _Known(run, {each.taken_at for each in readings_of(run)})
    rows = []
    for index, each in enumerate(readings):
        field = f"readings.{index}"
        _check_instruments(each.instruments, f"{field}.")
        known.check(each.taken_at, each.instruments, f"{field}.taken_at")
        rows.append(_row(run, each.instruments, each.taken_at, act))
    RunReading.objects.bulk_create(rows, batch_size=500)
    count_again(run, act)
    return run


READ_MANY: Final = Event(
    record_readings,
    on=ON_RUN,
    at="readings/many",
    page_at="readings",
    name="run-read-many",
    about="Record many readings of a run at once, all or none.",
    title="Readings from the notebook",
    lead="Any time between the run's start and its stop, in any order; all are kept or none.",
    button="Keep them all",
    done="The readings are kept.",
    cautions=("run",),
    when="",
    likely=readings_held,
)


@recorded_once
def withdraw_reading(
    *, reading: RunReading, reason: Annotated[str, Asks("Why", at_most=REASON_MAX)], act: Act
) -> RunReading:
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
    ReadingWithdrawal.objects.create(
        reading=reading,
        reason=reason,
        withdrawn_at=act.moment,
        withdrawn_by_id=act.who.pk,
    )
    count_again(run, act)
    return reading


WITHDRAW_READING: Final = Event(
    withdraw_reading,
    on=On(
        RunReading,
        "run-readings/<int:pk>",
        "reading",
        related=("run__cell",),
        section="cells",
        template="cells/reading_step.html",
        page="run",
        page_of="run.code",
        also=("run",),
    ),
    at="withdraw",
    page_at="/readings/<int:pk>/withdraw",
    name="reading-withdraw",
    about="Withdraw a reading found wrong; it stays on record and counts no more.",
    title="Withdraw a reading",
    lead="It stays on record and says that it is wrong; the charge is counted without it.",
    button="It is wrong",
    done="Withdrawn.",
    cautions=("run",),
)


def keep_reading(
    run: CellRun, instruments: Instruments, taken_at: dt.datetime, act: Act
) -> RunReading:
    """A reading as a fact of the run; for services that read as part of what they do."""
    _check_instruments(instruments, "")
    standing = RunReading.objects.filter(run=run, taken_at=taken_at, withdrawal__isnull=True)
    read = set(standing.values_list("taken_at", flat=True))
    _Known(run, read).check(taken_at, instruments, "taken_at")
    reading = _row(run, instruments, taken_at, act)
    reading.save(force_insert=True)
    return reading


def open_to_readings(run: CellRun) -> CellRun:
    run = current_run(run)
    require_state(
        run,
        CellRun.State.RUNNING,
        CellRun.State.STOPPED,
        code="run_not_running",
        remedy="A run takes readings from its start to its stop, until it is harvested.",
    )
    return run


def count_again(run: CellRun, act: Act) -> None:
    """A stopped run's charge follows its readings; warnings are of the latest moment looked at."""
    if run.state == CellRun.State.STOPPED:
        recount(run, act)
    look_again(run, max(act.moment, run.warnings_at or act.moment))


class _Known:
    """The moments of a run that are read already, and those vouched for."""

    def __init__(self, run: CellRun, read: set[dt.datetime]) -> None:
        self.run = run
        self.read = read
        self.vouched = power_statements_of(run)

    def check(self, taken_at: dt.datetime, instruments: Instruments, field: str) -> None:
        """Refuses a reading before the start, after the stop, or at a moment read already."""
        if taken_at.tzinfo is None:
            raise refuse("no_time_zone", field=field, value=taken_at)
        check_not_future(taken_at, clock.now(), field=field)
        started, stopped = self.run.started_at, self.run.stopped_at
        assert started is not None
        fault = ""
        if taken_at < started:
            fault = f"before the run was started ({started:%Y-%m-%d %H:%M} UTC)"
        elif stopped is not None and taken_at > stopped:
            fault = f"after the run was stopped ({stopped:%Y-%m-%d %H:%M} UTC)"
        elif taken_at in self.read:
            fault = "at a moment that has a reading already"
        if fault:
            raise refuse(
                "reading_out_of_order", field=field, value=taken_at.isoformat(), fault=fault
            )
        if instruments.is_interruption:
            for each in self.vouched:
                if each.since <= taken_at < each.until:
                    raise refuse("power_stated_on", field=field, value=taken_at.isoformat())
        self.read.add(taken_at)


def _check_instruments(instruments: Instruments, prefix: str) -> None:
    for each in questions_of(Instruments):
        value, asks = getattr(instruments, each.name), each.asks
        if each.type is Decimal and (value is not None or each.needed):
            assert asks.at_least is not None
            assert asks.at_most is not None
            parse_decimal(
                value,
                field=f"{prefix}{each.name}",
                minimum=Decimal(asks.at_least),
                maximum=Decimal(asks.at_most),
                decimals_max=asks.decimals,
            )


def _row(run: CellRun, instruments: Instruments, taken_at: dt.datetime, act: Act) -> RunReading:
    return RunReading(
        run=run,
        taken_at=taken_at,
        recorded_at=clock.now(),
        recorded_by_id=act.who.pk,
        **vars(instruments),
        note=act.note,
    )
