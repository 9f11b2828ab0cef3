"""What this app offers in the shell: sections, bench steps, and what can be done with a lot."""

from __future__ import annotations

from typing import Final

from config.menu import Link
from lots.declaration.event import links_of
from lots.models import Lot
from lots.people.roles import MANAGING, OFFICE
from lots.sheets.subjects import OFFICE_AND_BENCH

_BAR_AT_HAND: Final = frozenset({f"{Lot.Form.BAR} {Lot.State.AVAILABLE}"})

TABS: Final = (
    Link("Bench", "bench", 20),
    Link("Lots", "lots", 30),
    Link("Processes", "batches", 50),
    Link("Movements", "movements", 70),
)
BENCH: Final = (
    *links_of("lots", "BENCH"),
    Link("Sheet of labels", "labels", 35, group="Lots", hint="QR codes and readable codes"),
    Link("Open processes", "batches", 41, group="Processes", hint="Add, take out, close"),
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
        "People",
        "people",
        90,
        roles=MANAGING,
        group="Office",
        hint="Who signs in, with which role",
    ),
    Link(
        "Backups",
        "backups",
        94,
        roles=MANAGING,
        group="Office",
        hint="Where they go, and the last one",
    ),
)
REFERENCE: Final = (
    Link("Parties", "parties", 10, roles=OFFICE),
    Link("Places", "places", 20, roles=OFFICE),
    Link("Balances", "balances-kept", 30, roles=OFFICE),
)
# Where a list of a form that has nothing to choose from leads.
ADD_ONE: Final = (
    Link("Add a place", "place-add", 10, roles=OFFICE, about=frozenset({"lots.Place"})),
    Link("Add a scale", "balance-add", 20, roles=OFFICE, about=frozenset({"lots.Balance"})),
    Link("Add a party", "party-add", 30, roles=OFFICE, about=frozenset({"lots.Party"})),
)
LOT_ACTIONS: Final = (
    Link("List as a bar", "list-bar", 22, about=_BAR_AT_HAND, hint="Gross and fine, by which rule"),
    *links_of("lots", "LOT_ACTIONS"),
)
