"""Where is my lot? One lot's answer, for its customer and for the office."""

from __future__ import annotations

from typing import Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from config.drawing.charts import Bar, BarChart
from lots.models import Lot
from lots.people.access import lot_for, own_party, party_looking, signed_in_page
from lots.units import ug_to_g
from reports.models import AccessRecord
from reports.pages.access_log import note_page
from reports.queries.lot.lot_answer import WHERE_NAMES, MetalAnswer, Where, lot_answer
from reports.queries.lot.lot_claim import customer_of

# Room for a chart's labels is short.
_SHORT: Final = {
    WHERE_NAMES[Where.THE_LOT]: "Still in the lot",
    WHERE_NAMES[Where.ELECTROLYTE]: "Solutions",
    WHERE_NAMES[Where.RETURNED]: "Returned",
    WHERE_NAMES[Where.TAKEN_BACK]: "Taken back",
}


@signed_in_page
def answer_page(request: HttpRequest, code: str) -> HttpResponse:
    lot = lot_for(request, code)
    note_page(request, customer_of(lot), AccessRecord.What.LOT_ANSWER, lot.code)
    answer = lot_answer(lot, seen_by=party_looking(request))
    return render(
        request,
        "reports/lot_answer.html",
        {
            "lot": lot,
            "answer": answer,
            "metals": [
                {
                    "answer": metal,
                    "where": headings(metal),
                    "chart": _chart(metal),
                    "parts": [part for part in answer.parts if part.metal == metal.metal],
                }
                for metal in answer.metals
            ],
        },
    )


@signed_in_page
def customer_lots(request: HttpRequest) -> HttpResponse:
    """The lots the signed-in customer sent in."""
    party = own_party(request)
    note_page(request, party, AccessRecord.What.LOTS, party.code)
    lots = Lot.objects.filter(received_from=party).select_related("place")
    return render(
        request,
        "reports/customer_lots.html",
        {"section": "my-lots", "party": party, "lots": lots},
    )


def headings(metal: MetalAnswer) -> list[tuple[str, int, int | None]]:
    """What stands under each heading, and how unsure that is, micrograms."""
    return [
        (WHERE_NAMES[where], metal.where_ug[where], metal.uncertainty_of(where))
        for where in Where
        if metal.where_ug.get(where)
    ]


def _chart(metal: MetalAnswer) -> BarChart | None:
    bars = [
        Bar(_SHORT.get(name, name), float(ug_to_g(mass_ug)), accent=metal.metal)
        for name, mass_ug, _ in headings(metal)
    ]
    if len(bars) < 2:
        return None
    return BarChart(f"Where the {metal.metal} of this lot is", "grams", bars)
