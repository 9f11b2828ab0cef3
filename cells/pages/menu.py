"""What this app offers in the shell."""

from __future__ import annotations

from typing import Final

from cells.models import CHARGED_FORMS
from config.menu import Link
from lots.models import Lot
from lots.people.roles import OFFICE
from lots.queries.search import Searched
from lots.services.opening import FIRST_DAY

TABS: Final = (
    Link("Cells", "cells", 40),
    Link("Slimes", "slimes", 45),
)
BENCH: Final = (
    Link("Cells and runs", "cells", 50, group="Cells", hint="Charge, read, harvest, close"),
    Link("Prepare electrolyte", "electrolyte-prepare", 51, group="Cells", hint="A new batch"),
    Link("Slimes bags", "slimes", 60, group="Slimes", hint="Which wait, and recover them"),
    Link(
        "An electrolyte in use",
        "open-electrolyte",
        91,
        roles=OFFICE,
        group=FIRST_DAY,
        hint="As measured, with the use it is in",
    ),
    Link(
        "A slimes bag that waited",
        "open-bag",
        92,
        roles=OFFICE,
        group=FIRST_DAY,
        hint="With what it should hold",
    ),
)
REFERENCE: Final = (Link("Cells", "cells-kept", 40, roles=OFFICE),)
ADD_ONE: Final = (
    Link("Add a cell", "cell-add", 40, roles=OFFICE, about=frozenset({"cells.Cell"})),
    Link(
        "Put an electrolyte on the books",
        "open-recipe",
        50,
        roles=OFFICE,
        about=frozenset({"cells.ElectrolyteBatch"}),
    ),
)
_ELECTROLYTE: Final = frozenset({Lot.Form.ELECTROLYTE.value})
_CHARGED: Final = frozenset(f"{form} {Lot.State.AVAILABLE}" for form in CHARGED_FORMS)
LOT_ACTIONS: Final = (
    Link(
        "Charge a cell with it", "charge-lot", 11, about=_CHARGED, hint="In the cell that is free"
    ),
    Link("Measure it", "electrolyte-measure", 12, about=_ELECTROLYTE, hint="Volume, g/L, acid"),
    Link("Top up", "electrolyte-top-up", 13, about=_ELECTROLYTE, hint="Water, acid, silver"),
    Link("Bleed", "electrolyte-bleed", 14, about=_ELECTROLYTE, hint="For cementation"),
    Link("What to add", "make-up-plan", 16, about=_ELECTROLYTE, hint="Silver, acid, water"),
    Link("When to bleed", "bleed-plan", 17, about=_ELECTROLYTE, hint="Uses left, how much"),
)
# Which records of the cells the site's search finds, and by what.
SEARCHED: Final = (
    Searched("Runs", "cells.CellRun", "run", ("code", "cell__code", "cell__name"), about="cell"),
)
