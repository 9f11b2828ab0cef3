"""How is this figure computed, what does this word mean, and a first day at the works."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from lots import clock
from lots.elements import electrochemical_equivalent_g_per_ah
from lots.models import Balance
from lots.pages.access import staff_page
from lots.units import UG_PER_UNIT, UNIT_NAMES
from reports import conventions
from reports.queries.lot_answer_lines import MIXING
from reports.queries.obligations import COVER
from reports.queries.periods import local_day


@dataclass(frozen=True)
class Entry:
    """A word or a figure, and what there is to say of it. `source` is where the rule is from."""

    name: str
    text: str
    source: str = ""


_SILVER_G_PER_AH: Final = round(electrochemical_equivalent_g_per_ah("Ag", 1), 4)
FIGURES: Final = (
    Entry(
        "Metal in a lot",
        "The sum of every entry of that metal into and out of the lot, in whole micrograms. The "
        "screen rounds to the milligram and the thousandth of a troy ounce; the books never do.",
    ),
    Entry(
        "Metal by assay",
        "Net weight times fineness, divided by 1000; of a solution, volume times grams per litre. "
        "Its standard uncertainty combines those of weight and fineness in squares.",
        "JCGM 100:2008, 5.1.2",
    ),
    Entry(
        "Net weight and its uncertainty",
        "Gross less tare. The balance's own standard uncertainty counts once when the pan was "
        "tared and twice, in squares, when gross and tare were read apart.",
        "JCGM 100:2008, 5.1.2",
    ),
    Entry(
        "Limit of error",
        "1.96 times the standard uncertainty: half of an interval that holds the true value in 95 "
        "of 100 cases when errors are normal.",
        "JCGM 100:2008, table G.1",
    ),
    Entry(
        "Silver by Faraday's law",
        f"Ampere-hours times {_SILVER_G_PER_AH} g: the silver that would plate if all of the "
        "charge plated silver. Ampere-hours are counted from the readings by the trapezoid rule; "
        "gaps are told apart and bridged by a straight line.",
        "CODATA Faraday constant, CIAAW atomic weight of silver",
    ),
    Entry(
        "A slimes bag's estimate",
        "Gold, platinum and rhodium: all that was charged. Silver, copper and palladium: a share "
        "learnt from what past recoveries found beside what had been estimated.",
    ),
    Entry("A run's difference", "What was found less the book, so a loss is negative."),
    Entry("A month's difference", conventions.SIGN_CONVENTION),
    Entry("Throughput of a month", conventions.STATEMENT_THROUGHPUT),
    Entry("Throughput of a stage", conventions.STAGE_THROUGHPUT),
    Entry("Where a mixed lot's metal came from", MIXING, "common practice, no source"),
    Entry("Owed against held", COVER),
    Entry("Troy ounces", conventions.OUNCE_RULE, "NIST Handbook 44, Appendix C"),
)
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
    ("Look at Today", "today", "What needs somebody, and where the metal is."),
    ("Receive a lot", "receive", "Type a weight with its unit and see it converted."),
    ("Open the lots", "lots", "Take one, and read its life line from the top."),
    ("Open a run", "cells", "Compare silver weighed with silver by charge."),
    ("Look at the slimes", "slimes", "Which bags wait, with how much at stake."),
    ("Look at the bar list", "bars", "Open a bar, and see what each rule makes of it."),
    ("Take something back", "movements", "Open a movement of yours and reverse it."),
    ("Read a closed month", "months", "From opening book to closing book, and the difference."),
)


@staff_page
def help_page(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "reports/help.html",
        {
            "section": "help",
            "figures": FIGURES,
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
