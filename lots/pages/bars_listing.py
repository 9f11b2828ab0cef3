"""A bar is put on the list with its figures shown before, and looked at."""

from __future__ import annotations

from typing import Any, Final
from urllib.parse import urlencode

from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from config.pages import message_of
from config.refusals import RefusalError
from lots.declaration.as_page import EventPage
from lots.ledger.recording import Act
from lots.local_law import LOCAL_LAW
from lots.measurements.ruling_assays import ruling_assay
from lots.models import BarRecord, Lot
from lots.pages.bar_form import ListBarForm, assays_of, weighings_of
from lots.pages.bench_form import ActForm, begins_with
from lots.people.access import lot_for, staff_page
from lots.queries.bar_list import bar_row
from lots.queries.bar_working import bar_working, working_of
from lots.services.bars_listing import bar_figures, list_bar

# What the form asks besides that no figure rests on.
NOT_FOR_FIGURES: Final = {"mark", "key", "note", "occurred_at"}


class ListBar(EventPage):
    """Shows what the list will say while the form is filled in."""

    def make_form(self, **kwargs: Any) -> ActForm:
        return ListBarForm(lot=self.subject, **kwargs)

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        lot: Lot = self.subject
        assays = list(assays_of(lot))
        rules = ruling_assay(lot)
        assay = next((each for each in assays if each == rules), assays[0] if assays else None)
        weighing = weighings_of(lot).first()
        results = assay.results.all() if assay else ()
        most = max(results, key=lambda each: each.value, default=None)
        found = {
            "weighing": weighing.pk if weighing else "",
            "assay": assay.pk if assay else "",
            "metal": most.metal if most else "",
        }
        return {**found, **super().initial(request)}

    def context(self) -> dict[str, Any]:
        # Read again: the form itself carries what the service refused.
        filled = self.form.data if self.form.is_bound else begins_with(self.form)
        return {**weights_of(self.make_form(data=filled)), "local_law": LOCAL_LAW}

    def perform(self, act: Act, form: Any) -> Model:
        return list_bar(lot=self.subject, bar=form.bar(), act=act)


def weights_of(form: Any) -> dict[str, Any]:
    """What the list would say with the entries so far, or what is still missing for it."""
    form.full_clean()
    still = [form[name].label for name in form.errors if name not in NOT_FOR_FIGURES]
    if still:
        return {"still": still}
    try:
        figures = bar_figures(form.bar())
    except RefusalError as refusal:
        return {"problem": message_of(refusal)}
    working = working_of(figures.gross, figures.fineness_ppt, figures.fine)
    return {"figures": figures, "working": working}


@staff_page
def bar_weights(request: HttpRequest, code: str) -> HttpResponse:
    """The part of the listing page that shows the figures, while the form is filled in."""
    form = ListBarForm(lot=lot_for(request, code), data=request.GET)
    return render(request, "lots/bar_weights.html", weights_of(form))


@staff_page
def bar_page(request: HttpRequest, pk: int) -> HttpResponse:
    """One entry of the list with the rule of each figure, and what became of the bar."""
    records = BarRecord.objects.select_related(
        "lot", "weighing__balance", "assay__laboratory", "listed_by", "struck_by"
    )
    record = get_object_or_404(records, pk=pk)
    return render(
        request,
        "lots/bar.html",
        {
            "section": "bench",
            "record": record,
            "row": bar_row(record),
            "working": bar_working(record),
            "lines": record.lot.delivery_lines.filter(bar_record=record).select_related("note"),
            "again": listing_again(record),
            "local_law": LOCAL_LAW,
        },
    )


def listing_again(record: BarRecord) -> str:
    """The address of the listing form, filled with what this entry says."""
    row = bar_row(record)
    given: dict[str, object] = {
        "mark": row.mark,
        "metal": row.metal,
        "weighing": row.weighing,
        "assay": row.assay,
        "stamped": f"{row.fineness_ppt.normalize():f}",
    }
    return f"{reverse('list-bar', args=[row.lot])}?{urlencode(given)}"
