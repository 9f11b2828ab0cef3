"""What this app offers in the shell: sections, bench steps, and what can be done with a lot."""

from __future__ import annotations

from typing import Final

from config.menu import Link
from lots.declaration.event import links_of
from lots.models import Lot
from lots.people.roles import ASSAYING, OFFICE
from lots.sheets.subjects import OFFICE_AND_BENCH

_AT_HAND: Final = frozenset({Lot.State.AVAILABLE.value})
_ASIDE: Final = frozenset({Lot.State.QUARANTINED.value})
_NOT_MOVING: Final = _AT_HAND | _ASIDE
_SAMPLE: Final = frozenset({Lot.Form.SAMPLE.value})
_FINE_SILVER: Final = frozenset({Lot.Form.FINE_CRYSTAL.value, Lot.Form.BAR.value})
_BAR_AT_HAND: Final = frozenset({f"{Lot.Form.BAR} {Lot.State.AVAILABLE}"})
_THERE: Final = frozenset(
    {Lot.State.AVAILABLE.value, Lot.State.QUARANTINED.value, Lot.State.IN_PROCESS.value}
)

# What is put on the books once, when a works begins to use the ledger.
FIRST_DAY: Final = "The day the ledger begins"
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
    Link(
        "Settle a claim",
        "settle-claim",
        80,
        roles=OFFICE,
        group="Office",
        hint="What is owed out of the pool",
    ),
    Link(
        "Import a sheet",
        "imports",
        79,
        roles=OFFICE_AND_BENCH,
        group="Office",
        hint="Balances, lots, weighings, readings",
    ),
    Link(
        "Papers",
        "papers",
        84,
        roles=OFFICE,
        group="Office",
        hint="Source, identity, how long kept",
    ),
    Link(
        "Parties, places, balances",
        "parties",
        86,
        roles=OFFICE,
        group="Office",
        hint="And the cells with their limits",
    ),
    Link(
        "A lot that was there",
        "open-lot",
        90,
        roles=OFFICE,
        group=FIRST_DAY,
        hint="With what it holds",
    ),
    Link(
        "A claim that was owed",
        "open-claim",
        93,
        roles=OFFICE,
        group=FIRST_DAY,
        hint="What a customer had in the pool",
    ),
)
REFERENCE: Final = (
    Link("Parties", "parties", 10, roles=OFFICE),
    Link("Places", "places", 20, roles=OFFICE),
    Link("Balances", "balances-kept", 30, roles=OFFICE),
)
LOT_ACTIONS: Final = (
    Link("Weigh", "weigh", 10, about=_THERE, hint="Gross, tare, balance"),
    Link("Melt", "melt", 15, about=_AT_HAND, hint="And weigh what came out"),
    Link("Take a sample", "sample", 18, about=_NOT_MOVING, hint="For the laboratory"),
    Link("Enter an assay", "assay", 20, about=_THERE, hint="Results with their uncertainty"),
    Link("Used up in the assay", "use-up", 25, about=_SAMPLE, hint="All of it or a part"),
    Link("Enter impurities", "impurities", 21, about=_FINE_SILVER, hint="And see the grade"),
    Link("List as a bar", "list-bar", 22, about=_BAR_AT_HAND, hint="Gross and fine, by which rule"),
    Link("Split", "split", 30, about=_AT_HAND, hint="Several labels out of one"),
    Link("Carry elsewhere", "transfer", 40, about=_NOT_MOVING, hint="Its place"),
    Link("Set aside", "set-aside", 45, about=_AT_HAND, hint="Into quarantine, with the reason"),
    Link("Release", "release", 46, roles=ASSAYING, about=_ASIDE, hint="Out of quarantine"),
    Link("Ship", "ship", 60, about=_AT_HAND, hint="The whole lot leaves"),
    Link("Return to a customer", "return", 61, about=_AT_HAND, hint="Theirs, or owed to them"),
    Link("Change of owner", "change-owner", 65, roles=OFFICE, about=_AT_HAND, hint="Title passes"),
    Link("Attach a photo or paper", "attach", 75, hint="PDF or picture"),
    *links_of("lots", "LOT_ACTIONS"),
)
