"""A run's warnings are brought up to date; someone acknowledges one and says why."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Final

from django.db import transaction
from django.db.models import Q, QuerySet

from cells.models import UNFINISHED, CellRun, CellWarning
from cells.queries.observed import findings_of
from cells.queries.run_estimate import run_now
from cells.services.run_steps import ON_RUN, current_run
from cells.warnings import Finding
from config.refusals import ConflictError, RefusalError
from lots import clock
from lots.declaration.event import Asks, Event, On
from lots.ledger.recording import Act, lock_ledger, recorded_once
from lots.ledger.sealing import sealing
from lots.texts import REASON_MAX, checked_reason

_STATE: Final = CellWarning.State
STALE_AFTER: Final = dt.timedelta(minutes=15)
# What a warning that lasts takes over from each new finding.
_FOLLOWS: Final = ("severity", "message", "basis", "value", "limit")
_RANK: Final = {"notice": 0, "warning": 1, "urgent": 2}


@recorded_once
def refresh_warnings(*, run: CellRun, act: Act) -> CellRun:
    """Evaluates the rules on an unfinished run: new findings open, those that have passed clear.

    An acknowledged warning stays so while it lasts, and opens again when it has become more severe.
    All warnings of a run that is closed or withdrawn are cleared.
    """
    run = current_run(run)
    bring_up_to_date(run, act.moment, findings_of(run, act.moment) if run.is_unfinished else [])
    return run


LOOK: Final = Event(
    refresh_warnings,
    on=ON_RUN,
    at="warnings",
    name="run-warnings",
    about="Bring a run's warnings up to date: new findings open, those that have passed clear.",
    title="Look for warnings",
    lead="Every rule is tried on the run as it stands now.",
    button="Look now",
    done="Looked: the warnings below are as of now.",
    cautions=("run",),
)


def look_again(run: CellRun, moment: dt.datetime) -> None:
    """After a step of a run its warnings follow, in the step's own transaction.

    Where the books make no anode or no electrolyte the rules can't be tried, and the step stands
    all the same.
    """
    try:
        found = findings_of(run, moment) if run.is_unfinished else []
    except RefusalError:
        return
    bring_up_to_date(run, moment, found)


def stale_runs(now: dt.datetime) -> QuerySet[CellRun]:
    """Unfinished runs that nobody and nothing looked at for a while."""
    return CellRun.objects.filter(state__in=UNFINISHED).filter(
        Q(warnings_at__isnull=True) | Q(warnings_at__lt=now - STALE_AFTER)
    )


def look_at_stale() -> str:
    """Tries the rules on every run that nobody looked at for a while, and says on how many."""
    runs = list(stale_runs(clock.now()))
    for run in runs:
        with transaction.atomic(), sealing(lock_ledger()):
            look_again(current_run(run), clock.now())
    return f"Runs looked at: {len(runs)}."


def bring_up_to_date(run: CellRun, moment: dt.datetime, found: Sequence[Finding]) -> None:
    """The run's warnings become what was found; with the run is kept when that was, and its end
    as foretold then.
    """
    by_key = {(finding.code, finding.subject): finding for finding in found}
    standing = {
        (warning.rule, warning.subject): warning
        for warning in CellWarning.objects.filter(run=run).exclude(state=_STATE.CLEARED)
    }
    for key, warning in standing.items():
        if key in by_key:
            _follow(warning, by_key[key])
        else:
            warning.state = _STATE.CLEARED
            warning.cleared_at = moment
            warning.version += 1
            warning.save(update_fields=["state", "cleared_at", "version"])
    CellWarning.objects.bulk_create(
        CellWarning(
            run=run,
            rule=finding.code,
            subject=finding.subject,
            unit=finding.unit,
            raised_at=moment,
            **{name: getattr(finding, name) for name in _FOLLOWS},
        )
        for key, finding in by_key.items()
        if key not in standing
    )
    run.warnings_at = moment
    run.exhausted_at, run.exhausted_low_at, run.exhausted_high_at = _foretold_end(run, moment)
    run.save(update_fields=["warnings_at", "exhausted_at", "exhausted_low_at", "exhausted_high_at"])


def _foretold_end(run: CellRun, moment: dt.datetime) -> tuple[dt.datetime | None, ...]:
    """When the anode will be exhausted, with its 95 % interval; nothing where it can't be told."""
    if run.state != CellRun.State.RUNNING:
        return None, None, None
    try:
        end = run_now(run, moment).ahead().exhausted
    except RefusalError:
        return None, None, None
    return (None, None, None) if end is None else (end.at, end.at_low, end.at_high)


@recorded_once
def acknowledge_warning(
    *,
    warning: CellWarning,
    reason: Annotated[str, Asks("Why it may stand", at_most=REASON_MAX)],
    act: Act,
) -> CellWarning:
    """Someone has seen a warning and says why it may stand.

    Raises ConflictError `warning_cleared`, `already_acknowledged`, or what `checked_reason` does.
    """
    warning = CellWarning.objects.get(pk=warning.pk)
    if warning.state != _STATE.OPEN:
        cleared = warning.state == _STATE.CLEARED
        raise ConflictError(
            f"This warning is {warning.get_state_display().lower()}.",
            code="warning_cleared" if cleared else "already_acknowledged",
            field="warning",
            value=warning.rule,
            remedy="Nothing more is needed.",
        )
    reason = checked_reason(reason)
    warning.state = _STATE.ACKNOWLEDGED
    warning.acknowledged_at = act.moment
    warning.acknowledged_by_id = act.who.pk
    warning.acknowledgement = reason
    warning.version += 1
    warning.save(
        update_fields=[
            "state",
            "acknowledged_at",
            "acknowledged_by",
            "acknowledgement",
            "version",
        ]
    )
    return warning


ACKNOWLEDGE: Final = Event(
    acknowledge_warning,
    on=On(
        CellWarning,
        "cell-warnings/<int:pk>",
        "warning",
        related=("run__cell",),
        section="cells",
        template="cells/warning_step.html",
        page="run",
        page_of="run.code",
    ),
    at="acknowledge",
    page_at="/warnings/<int:pk>",
    name="warning",
    about="Say that a warning has been seen, and why it may stand.",
    title="A warning",
    button="Seen, and it may stand",
    done="Acknowledged; it stays on show until it has passed.",
    cautions=("run",),
)


def _follow(warning: CellWarning, finding: Finding) -> None:
    worse = _RANK[finding.severity] > _RANK[warning.severity]
    if worse and warning.state == _STATE.ACKNOWLEDGED:
        warning.state = _STATE.OPEN
    for name in _FOLLOWS:
        setattr(warning, name, getattr(finding, name))
    warning.version += 1
    warning.save(update_fields=["state", *_FOLLOWS, "version"])
