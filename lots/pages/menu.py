"""What this app offers in the shell: sections, bench steps, and what can be done with a lot."""

from __future__ import annotations

from typing import Final

from config.menu import Link
from lots.models import Lot

_AT_HAND: Final = frozenset({Lot.State.AVAILABLE.value})
_THERE: Final = frozenset(
    {Lot.State.AVAILABLE.value, Lot.State.QUARANTINED.value, Lot.State.IN_PROCESS.value}
)

TABS: Final = (
    Link("Bench", "bench", 20),
    Link("Lots", "lots", 30),
    Link("Processes", "batches", 50),
    Link("Movements", "movements", 70),
)
BENCH: Final = (
    Link("Receive a lot", "receive", 10, group="At the door", hint="Weigh it and label it"),
    Link("Blend lots", "blend", 30, group="Lots", hint="Several lots become one"),
    Link("Sheet of labels", "labels", 35, group="Lots", hint="QR codes and readable codes"),
    Link("Start a process", "batch-start", 40, group="Processes", hint="Part, dissolve, melt"),
    Link("Open processes", "batches", 41, group="Processes", hint="Add, take out, close"),
)
LOT_ACTIONS: Final = (
    Link("Weigh", "weigh", 10, about=_THERE, hint="Gross, tare, balance"),
    Link("Enter an assay", "assay", 20, about=_THERE, hint="Results with their uncertainty"),
    Link("Split", "split", 30, about=_AT_HAND, hint="Several labels out of one"),
    Link("Carry elsewhere", "transfer", 40, about=_AT_HAND | {"quarantined"}, hint="Its place"),
    Link("Write off", "write-off", 90, about=_AT_HAND, hint="Metal is gone, with its cause"),
)
