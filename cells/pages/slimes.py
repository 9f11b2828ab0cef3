"""The slimes: bags that wait, grouped to a recovery, and the recovery finished."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from django import forms
from django.core.paginator import Paginator
from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse

from cells.models import SlimesBag
from cells.pages.run_forms import GroupBagsForm
from cells.queries.slimes_queue import recovery_batches, slimes_queue, stake_min_g
from cells.services.slimes_recovery import finish_recovery, group_bags
from config.drawing.charts import Bar, BarChart
from lots import clock
from lots.ledger.recording import Act
from lots.pages.bench_form import ActForm
from lots.pages.process import OfBatch
from lots.pages.steps import BenchStep
from lots.people.access import staff_page

BAGS_A_PAGE: Final = 50
BAGS_DRAWN: Final = 15
BATCHES_SHOWN: Final = 20


@staff_page
def queue_page(request: HttpRequest) -> HttpResponse:
    now = clock.now()
    page = Paginator(slimes_queue(now), BAGS_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "cells/slimes.html",
        {
            "section": "slimes",
            "queue": page.object_list,
            "page": page,
            "batches": recovery_batches(now)[:BATCHES_SHOWN],
            "stake_min_g": stake_min_g(),
            "chart": _chart(list(page.object_list)[:BAGS_DRAWN]),
        },
    )


def _chart(queue: Sequence[Any]) -> BarChart | None:
    if len(queue) < 2:
        return None
    bars = [
        Bar(each.bag.lot.code, each.stake, plus_minus=each.u_stake, accent="three")
        for each in queue
    ]
    return BarChart(
        "Precious metal at stake in each bag", "grams, ± one standard uncertainty", bars, 1
    )


class _BagsForm(GroupBagsForm):
    bags = forms.ModelMultipleChoiceField(
        SlimesBag.objects.none(),
        widget=forms.CheckboxSelectMultiple,
        label="Bags that go together",
        to_field_name="pk",
    )

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        field = self.fields["bags"]
        assert isinstance(field, forms.ModelMultipleChoiceField)
        field.queryset = SlimesBag.objects.filter(state=SlimesBag.State.WAITING).select_related(
            "lot"
        )
        self.order_fields(["bags", "place", "supplies"])


class GroupBags(BenchStep):
    title = "Begin a recovery"
    lead = "The bags' metal leaves them for one process batch; its outputs are recorded there."
    button = "Begin it"
    done = "The recovery is open. Record what comes out of it."
    section = "slimes"
    cautions = ("recovery",)
    form_class = _BagsForm

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        codes = request.GET.getlist("bag")[:100]
        return {"bags": SlimesBag.objects.filter(lot__code__in=codes)}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return group_bags(
            bags=list(data["bags"]), place=data["place"], supplies_ug=data["supplies"], act=act
        )

    def after(self, recorded: Any) -> str:
        return reverse("batch", args=[recorded.code])


class FinishRecovery(OfBatch):
    title = "Finish the recovery"
    lead = (
        "What was found is shared out over the bags and set beside their estimates; what the book "
        "still holds goes to the recovery difference."
    )
    button = "Finish it"
    done = "Finished. What was found now corrects the next bags' estimates."
    section = "slimes"
    form_class = ActForm

    def perform(self, act: Act, form: Any) -> Model:
        return finish_recovery(batch=self.subject, act=act)
