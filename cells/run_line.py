"""The steps of a run in a line: what is done, what comes next, what can't be done yet, and why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, NamedTuple


class Mark(StrEnum):
    DONE = "done"
    NEXT = "next"
    OPEN = "open"
    CLOSED = "closed"


@dataclass(frozen=True)
class RunFacts:
    """The run's state, and what of it was read or taken."""

    state: str
    read: bool = False
    remnant: bool = False
    bag: bool = False
    rinse: bool = False


@dataclass(frozen=True)
class RunStep:
    """`name` is that of the step's page; `why` says why a closed step can't be done."""

    name: str
    label: str
    mark: Mark
    why: str = ""


_ORDER: Final = ("charged", "running", "stopped", "harvested", "closed")


class _Row(NamedTuple):
    """A step's page and label, its label when done, the state it is done in, what comes first."""

    name: str
    label: str
    done: str
    state: str = ""
    first: str = ""


_STEPS: Final = (
    _Row("charge", "Charge", "Charged"),
    _Row("run-start", "Switch on", "Switched on", "charged"),
    _Row("run-read", "Read the cell", "Read", "running", "once the current is on"),
    _Row("run-stop", "Switch off", "Switched off", "running", "once the current is on"),
    _Row("run-remnant", "Take the anode remnant", "Remnant taken", "stopped", "once it is off"),
    _Row("run-bag", "Take the slimes bag", "Slimes bagged", "stopped", "once it is off"),
    _Row("run-harvest", "Harvest the crystal", "Harvested", "stopped", "with the slimes bagged"),
    _Row("run-rinse", "Keep the rinse water", "Rinse water kept", "harvested", "once harvested"),
    _Row("run-close", "Close the run", "Closed", "harvested", "once harvested"),
)


def run_line(run: RunFacts) -> tuple[RunStep, ...]:
    """Every step of the run in its order; empty for a run that was withdrawn."""
    if run.state not in _ORDER:
        return ()
    expected = _expected(run)
    return tuple(_step(run, each, is_next=each.name == expected) for each in _STEPS)


def _expected(run: RunFacts) -> str:
    if run.state == "stopped":
        return "run-harvest" if run.bag else "run-bag" if run.remnant else "run-remnant"
    usual = {"charged": "run-start", "running": "run-read", "harvested": "run-close"}
    return usual.get(run.state, "")


def _step(run: RunFacts, row: _Row, *, is_next: bool) -> RunStep:
    if is_next:
        return RunStep(row.name, row.label, Mark.NEXT)
    past = not row.state or _ORDER.index(run.state) > _ORDER.index(row.state)
    taken = {
        "run-read": past and run.read,
        "run-remnant": run.remnant,
        "run-bag": run.bag,
        "run-rinse": run.rinse,
    }
    if taken.get(row.name, past):
        return RunStep(row.name, row.done, Mark.DONE)
    if past or (row.name == "run-remnant" and run.bag):
        return RunStep(row.name, row.label, Mark.CLOSED, "was left out")
    if run.state != row.state or (row.name == "run-harvest" and not run.bag):
        return RunStep(row.name, row.label, Mark.CLOSED, row.first)
    return RunStep(row.name, row.label, Mark.OPEN)
