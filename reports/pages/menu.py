"""What this app offers in the shell."""

from __future__ import annotations

from typing import Final

from config.menu import Link
from lots.declaration.event import links_of
from lots.models import Lot
from lots.people.roles import OFFICE

_AT_HAND: Final = frozenset({Lot.State.AVAILABLE.value})

TABS: Final = (
    Link("Today", "today", 10),
    Link("Months", "months", 80),
    Link("Settlements", "settlements", 85),
    Link("Help", "help", 90),
)
# A customer's, in place of the tabs.
THEIRS: Final = (Link("My lots", "my-lots", 10), Link("My delivery notes", "my-deliveries", 20))
BENCH: Final = (
    Link("Bar list", "bars", 70, group="Fine metal", hint="Marks, gross and fine weights"),
    Link("Deliver", "deliver", 71, group="Fine metal", hint="Return or ship under a note"),
    Link("Delivery notes", "deliveries", 72, group="Fine metal", hint="What left, to whom"),
    Link("Count for the month", "months", 82, group="Office", hint="Sheets, close, statement"),
    Link("Losses", "losses", 83, group="Office", hint="What was lost where"),
    Link("Owed and held", "cover", 84, group="Office", hint="Cover, metal by metal"),
    Link("Questions", "questions", 85, group="Office", hint="What customers ask, answered"),
    Link("Payments", "payments", 86, group="Office", hint="Money paid and received"),
    Link("Prices", "prices", 87, group="Office", hint="The works' own table"),
    Link("Terms", "terms", 88, group="Office", hint="By customer, by version"),
    Link("Links", "links", 89, roles=OFFICE, group="Office", hint="Shown without a sign-in"),
    Link("Who read what", "read-log", 91, roles=OFFICE, group="Office", hint="Of customers' data"),
    Link("Receivers", "receivers", 92, roles=OFFICE, group="Office", hint="Told of events"),
)
LOT_ACTIONS: Final = (
    *links_of("reports", "LOT_ACTIONS"),
    Link("Deliver", "deliver-lot", 59, about=_AT_HAND, hint="Under a note, alone or with others"),
    Link("Where is it?", "lot-answer", 80, hint="The answer to give its customer"),
)
