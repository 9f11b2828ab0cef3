"""How is this figure computed, what does this word mean, and a first day at the works."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.explained import explained
from lots import clock
from lots.models import Balance
from lots.people.access import staff_page
from lots.units import UG_PER_UNIT, UNIT_NAMES
from reports.queries.month.periods import local_day


@dataclass(frozen=True)
class Entry:
    """A word, and what it means here."""

    name: str
    text: str


WORDS: Final = (
    Entry("Lot", "One labelled body of material: feed, granules, a bag, an electrolyte, a bar."),
    Entry("Movement", "One event that moved metal between lots, or between a lot and the outside."),
    Entry("Reversal", "The exact opposite of a movement, posted beside it. Nothing is edited."),
    Entry("Claim", "What an owner has in the works' pool once their lot is mixed with others."),
    Entry("Kept apart", "A customer's own lot, not mixed: it answers for itself."),
    Entry("Anode charge", "What hangs in the basket of a cell until the run is harvested."),
    Entry("Remnant", "Undissolved feed taken back out of the basket."),
    Entry("Crystal", "Silver plated at the cathode: rinsed, tested, dried, weighed."),
    Entry("Slimes", "What does not dissolve at the anode and stays in the filter bag."),
    Entry("Bleed", "Electrolyte taken out, mostly because its copper has risen."),
    Entry("Cementation", "Silver brought down from solution on copper."),
    Entry("Use", "How many runs an electrolyte has served, counting the one it is in."),
    Entry("Fineness", "Parts per thousand by mass (‰)."),
    Entry("Gross and fine weight", "What a bar weighs by its list's rule, and the metal in that."),
    Entry("Turn of the scale", "A beam must turn beyond the step, or the bar counts a step less."),
    Entry("Agreed table", "Fine ounces of small gold bars that the market looks up, not computes."),
    Entry("Ruling assay", "The report that counts for a lot, with the reason it was chosen."),
    Entry("Umpire", "A third laboratory whose result decides when two parties' differ too far."),
    Entry("Standard uncertainty", "One standard deviation of what a measurement may be out by."),
    Entry("Excess", "Metal that measured above the book; it stays on show until explained."),
    Entry("Blind count", "Counting without seeing what the book says."),
)
FIRST_DAY: Final = (
    ("Look at Today", "today", "What needs somebody, where the metal is, and what is owed."),
    (
        "Receive a lot",
        "receive",
        "Type a weight as 41.87 ozt and see it converted. Press “Keep it for later” half-way: it "
        "is listed on Today, on any device, until you finish it.",
    ),
    (
        "Print its label",
        "labels",
        "Tick lots on the list; choose a sheet and its first free place.",
    ),
    ("Open the lots", "lots", "Take one, and read its life line from the top."),
    (
        "Open a run",
        "cells",
        "Compare silver weighed with silver by charge; in a running cell, see when its anode ends "
        "and how its silver and copper stand to their limits.",
    ),
    (
        "Plan a charge",
        "cells",
        "Let the lots on hand be chosen, and the form be filled in.",
    ),
    ("Look at the slimes", "slimes", "Which bags wait, with how much at stake."),
    ("Look at the bar list", "bars", "Open a bar, and see what each rule makes of it."),
    ("Take something back", "movements", "Open a movement of yours and reverse it."),
    ("Read a closed month", "months", "From opening book to closing book, and the difference."),
    (
        "Find the wrong weighing",
        "months",
        "In the open month, “How sure is it” names the weighing that was keyed in wrongly.",
    ),
    (
        "Answer a customer",
        "settlements",
        "Open a settlement line by line; sign in as a customer to see what they see.",
    ),
)


@staff_page
def help_page(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "reports/help.html",
        {
            "section": "help",
            "figures": explained().values(),
            "words": sorted(WORDS, key=lambda entry: entry.name),
            "first_day": FIRST_DAY,
            "units": [
                (symbol, UNIT_NAMES[symbol], ug_per_unit / UG_PER_UNIT["g"])
                for symbol, ug_per_unit in UG_PER_UNIT.items()
            ],
        },
    )


@staff_page
def balances_page(request: HttpRequest) -> HttpResponse:
    """The instruments that weigh, with how long their calibration lasts."""
    today = local_day(clock.now())
    balances = [
        (balance, balance.is_overdue(today))
        for balance in Balance.objects.order_by("-is_active", "calibration_due")
    ]
    return render(request, "reports/balances.html", {"balances": balances, "section": "today"})
