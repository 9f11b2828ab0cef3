"""What every step of a run checks first, and how the run follows it."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from cells.models import CellRun, RunMovement
from config.refusals import ConflictError, refuse
from lots.declaration.event import On
from lots.ledger.recording import Act
from lots.models import Lot, Movement

ON_RUN: Final = On(
    CellRun,
    "runs/<str:code>",
    "run",
    related=("cell", "charge_lot", "electrolyte__lot"),
    section="cells",
    template="cells/run_step.html",
    page="run",
)


def current_run(run: CellRun) -> CellRun:
    """The run as it stands under the ledger's lock, with what its steps read."""
    return CellRun.objects.select_related(
        "cell__place", "electrolyte__lot__owner", "charge_lot__owner", "coulomb_count"
    ).get(pk=run.pk)


def require_state(run: CellRun, *states: str, code: str, remedy: str) -> None:
    """Refuses a step that the run is not ready for, or is past."""
    if run.state not in states:
        raise ConflictError(
            f"Run {run.code} is {run.get_state_display().lower()}.",
            code=code,
            field="run",
            value=run.code,
            remedy=remedy,
        )


def check_after(moment: dt.datetime, earlier: dt.datetime | None, what: str) -> None:
    """Refuses a step dated before the one it follows (`out_of_order`)."""
    if earlier is not None and moment < earlier:
        raise refuse(
            "out_of_order",
            field="occurred_at",
            value=moment.isoformat(),
            what=what,
            earlier=earlier,
        )


def follow(run: CellRun, **changes: Any) -> CellRun:
    """Writes the changed columns of a run, and counts its version up."""
    for name, value in changes.items():
        setattr(run, name, value)
    run.version += 1
    run.save(update_fields=[*changes, "version"])
    return run


def attach(run: CellRun, movement: Movement, lot: Lot | None = None) -> None:
    """Notes that the movement belongs to the run, and which lot it made."""
    RunMovement.objects.create(run=run, movement=movement, lot=lot)


def last_step_at(run: CellRun) -> dt.datetime:
    """When the run's latest movement that still stands happened."""
    latest = (
        RunMovement.objects.filter(run=run, movement__reversed_by__isnull=True)
        .order_by("-movement__occurred_at")
        .values_list("movement__occurred_at", flat=True)
        .first()
    )
    return latest or run.charged_at


def check_step_moment(run: CellRun, act: Act) -> None:
    """Refuses a step dated before the run was stopped or before its latest movement."""
    check_after(act.moment, run.stopped_at, "the run was stopped")
    check_after(act.moment, last_step_at(run), "the run's latest step")


def refuse_if_later(movement: Movement, kinds: tuple[str, ...]) -> CellRun:
    """The run of a movement to be reversed; refused while later steps that rest on it stand.

    Raises ConflictError `later_steps_stand`, naming the step to reverse first.
    """
    run = current_run(RunMovement.objects.select_related("run").get(movement=movement).run)
    later = (
        Movement.objects.filter(
            run_movement__run=run,
            sequence__gt=movement.sequence,
            kind__in=kinds,
            reversed_by__isnull=True,
        )
        .order_by("-sequence")
        .first()
    )
    if later is not None:
        raise refuse(
            "later_steps_stand:run_steps",
            field="movement",
            value=movement.sequence,
            run=run.code,
            later=later,
            later_2=later.sequence,
        )
    return run
