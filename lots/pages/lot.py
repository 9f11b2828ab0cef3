"""One lot: what it holds, its life line, what was measured of it, its papers, its origins."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from django.db.models import Prefetch
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from config.drawing.charts import Bar, BarChart
from config.menu import Link, links_for
from lots.ledger import accounts
from lots.ledger.holdings import Holding, holding
from lots.measurements.grade import grade_sheet, latest_analysis
from lots.measurements.ruling_assays import ruling_of
from lots.models import Assay, AssayResult, Lot, Movement, Weighing
from lots.next_steps import LotFacts, next_step
from lots.pages.trace_web import trace_web
from lots.people.access import lot_for, role_of, staff_page
from lots.people.roles import ASSAYING, named
from lots.queries.documents import documents_for
from lots.queries.lifeline import lifeline
from lots.traces.lot_trace import trace_back, trace_forward
from lots.units import ug_to_g

ACCOUNT_NAMES: Final = {code: name for code, name, _ in accounts.CHART}


@staff_page
def lot_page(request: HttpRequest, code: str) -> HttpResponse:
    lot = lot_for(request, code)
    held = holding(lot)
    assays = _assays(lot)
    ruling = ruling_of(lot)
    analysis = latest_analysis(lot)
    origins, destinations = trace_back(lot), trace_forward(lot)
    role = role_of(request) or ""
    actions = links_for("LOT_ACTIONS", role, kinds_of(lot))
    expected = _next(lot, role, assays, ruling)
    return render(
        request,
        "lots/lot.html",
        {
            "section": "lots",
            "lot": lot,
            "held": held,
            "chart": _content_chart(lot, held),
            "lifeline": lifeline(lot),
            "weighings": _weighings(lot),
            "volumes": _volumes(lot),
            "assays": assays,
            "ruling": ruling,
            "documents": documents_for(role_of(request)).filter(lot=lot).select_related("added_by"),
            "excesses": lot.excesses.select_related("movement", "account"),
            "bars": lot.bar_records.order_by("-id"),
            "graded": grade_sheet(analysis) if analysis else None,
            "analysis": analysis,
            "deliveries": lot.delivery_lines.select_related("note__party", "movement__reversed_by"),
            "next": expected,
            "actions": [each for each in actions if expected is None or not expected.is_at(each)],
            "may_rule": role in ASSAYING,
            "rulers": named(ASSAYING),
            "origins": origins,
            "destinations": destinations,
            "origins_web": trace_web(origins.graph, lot, "to"),
            "destinations_web": trace_web(destinations.graph, lot, "from"),
            "account_names": ACCOUNT_NAMES,
        },
    )


@dataclass(frozen=True)
class NextStep:
    """The step expected next; `who` may do it, when the one who looks may not."""

    name: str
    label: str
    address: str
    who: str = ""

    def is_at(self, link: Link) -> bool:
        return link.url_name == self.name


_RULE: Final = Link("Let the assay rule", "rule-assay", 0, roles=ASSAYING)


def _next(lot: Lot, role: str, assays: Sequence[Assay], ruling: Any) -> NextStep | None:
    ruled = ruling.assay_id if ruling else None
    waiting = [a for a in assays if a.pk != ruled and getattr(a, "withdrawal", None) is None]
    sampled = Movement.objects.filter(
        kind=Movement.Kind.SAMPLING, entries__lot=lot, reversed_by__isnull=True
    )
    facts = LotFacts(lot.form, lot.state, lot.content, sampled.exists(), bool(waiting))
    name = next_step(facts)
    links = {
        each.url_name: each for each in [_RULE, *links_for("LOT_ACTIONS", None, kinds_of(lot))]
    }
    if name not in links:
        return None
    link = links[name]
    address = reverse(name, args=[waiting[-1].pk if link is _RULE else lot.code])
    who = "" if link.is_for(role) else named(link.roles or ())
    return NextStep(name, link.label, address, who)


@staff_page
def document(request: HttpRequest, pk: int) -> FileResponse:
    """The file as uploaded, offered for saving so that no browser runs it."""
    kept = get_object_or_404(documents_for(role_of(request)), pk=pk)
    return FileResponse(
        kept.file.open("rb"),
        as_attachment=True,
        filename=kept.name,
        content_type=kept.content_type,
    )


def kinds_of(lot: Lot) -> set[str]:
    """What actions may ask of a lot: its form, its state, or both at once."""
    return {lot.form, lot.state, f"{lot.form} {lot.state}"}


def _content_chart(lot: Lot, held: Holding) -> BarChart | None:
    if not held.metals:
        return None
    bars = [
        Bar(metal, float(ug_to_g(mass_ug)), accent=metal) for metal, mass_ug in held.metals.items()
    ]
    return BarChart(f"Metal in {lot.code}", "grams", bars)


def _assays(lot: Lot) -> list[Assay]:
    results = Prefetch("results", AssayResult.objects.order_by("id"))
    return list(
        lot.assays.select_related("laboratory", "withdrawal", "sample")
        .prefetch_related(results)
        .order_by("reported_at", "id")
    )


def _weighings(lot: Lot) -> list[Weighing]:
    return list(
        Weighing.objects.filter(lot=lot)
        .select_related("balance", "taken_by", "withdrawal")
        .order_by("taken_at", "id")
    )


def _volumes(lot: Lot) -> list[Any]:
    return [
        each.volumereading
        for each in lot.measurements.filter(kind="volume")
        .select_related("volumereading", "taken_by")
        .order_by("taken_at", "id")
    ]
