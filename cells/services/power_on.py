"""Somebody vouches that the power was on all the time between two moments of a run."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any, Final

from cells.models import CellRun, PowerStatement, PowerStatementWithdrawal
from cells.queries.current_series import power_cuts_of, readings_of
from cells.queries.gaps import gaps_of
from cells.services.readings import count_again, open_to_readings
from cells.services.run_steps import ON_RUN
from config.refusals import refuse
from lots import clock
from lots.declaration.event import Asks, Event, On
from lots.ledger.recording import Act, check_not_future, recorded_once
from lots.texts import REASON_MAX, checked_reason

# People write times to the minute.
_A_MINUTE: Final = dt.timedelta(minutes=1)


@recorded_once
def state_power_on(
    *,
    run: CellRun,
    since: Annotated[dt.datetime, Asks("On from")],
    until: Annotated[dt.datetime, Asks("To")],
    act: Act,
) -> PowerStatement:
    """States that current flowed throughout, so that a gap between readings is bridged.

    Raises ConflictError `run_not_running`, `power_was_off`; InvalidError `no_time_zone`,
    `in_the_future`, `power_outside_run`.
    """
    run = open_to_readings(run)
    for field, moment in (("since", since), ("until", until)):
        if moment.tzinfo is None:
            raise refuse("no_time_zone", field=field, value=moment)
        check_not_future(moment, clock.now(), field=field)
    assert run.started_at is not None
    if since < run.started_at < since + _A_MINUTE:
        since = run.started_at
    stopped = run.stopped_at or until
    if not run.started_at <= since < until <= stopped:
        field = "since" if since < run.started_at else "until"
        raise refuse(
            "power_outside_run", field=field, value=f"{since.isoformat()} – {until.isoformat()}"
        )
    for cut in power_cuts_of(readings_of(run), until):
        if cut.start < until and since < cut.end:
            raise refuse("power_was_off", field="since", value=f"{cut.start:%Y-%m-%d %H:%M} UTC")
    statement = PowerStatement.objects.create(
        run=run,
        since=since,
        until=until,
        recorded_at=clock.now(),
        recorded_by_id=act.who.pk,
        note=act.note,
    )
    count_again(run, act)
    return statement


def _longest_gap(run: CellRun) -> Mapping[str, Any]:
    gaps = gaps_of(run)
    if not gaps:
        return {}
    longest = max(gaps, key=lambda gap: gap.powered_h)
    return {"since": longest.start, "until": longest.end}


STATE_POWER_ON: Final = Event(
    state_power_on,
    on=ON_RUN,
    at="power-on",
    name="run-power-on",
    about="State that the power was on all the time between two moments of a run.",
    title="The power was on all the time",
    lead="The charge between the readings on both sides is then counted along the straight line "
    "between them, instead of being left out as a gap.",
    button="It was on",
    done="Kept: the charge is counted across it.",
    cautions=("run",),
    when="",
    begins=_longest_gap,
)


@recorded_once
def withdraw_power_statement(
    *, statement: PowerStatement, reason: Annotated[str, Asks("Why", at_most=REASON_MAX)], act: Act
) -> PowerStatement:
    """Takes a wrong statement back; it stays on record with the reason.

    Raises ConflictError `run_not_running`, `already_withdrawn`, and what `checked_reason` raises.
    """
    run = open_to_readings(statement.run)
    reason = checked_reason(reason)
    if PowerStatementWithdrawal.objects.filter(statement=statement).exists():
        raise refuse("already_withdrawn", field="statement", value=statement.pk)
    PowerStatementWithdrawal.objects.create(
        statement=statement, reason=reason, withdrawn_at=act.moment, withdrawn_by_id=act.who.pk
    )
    count_again(run, act)
    return statement


WITHDRAW_POWER_STATEMENT: Final = Event(
    withdraw_power_statement,
    on=On(
        PowerStatement,
        "power-statements/<int:pk>",
        "statement",
        related=("run__cell",),
        section="cells",
        template="cells/statement_step.html",
        page="run",
        page_of="run.code",
        also=("run",),
    ),
    at="withdraw",
    name="power-statement-withdraw",
    about="Withdraw a statement that the power was on; it stays on record and counts no more.",
    title="The power was not on all the time",
    lead="What was said stays on record and says that it is wrong; the gap is a gap again.",
    button="It was wrong",
    done="Withdrawn.",
    cautions=("run",),
)
