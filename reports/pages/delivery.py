"""Lots leave under a delivery note: what that does to what is owed, the note, taking it back."""

from __future__ import annotations

from typing import Any

from django.core.paginator import Paginator
from django.db.models import Count, Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from config.pages import to_save
from lots import display
from lots.ledger.recording import Act
from lots.local_law import LOCAL_LAW
from lots.models import DeliveryNote, Lot, Person
from lots.pages.bench_form import begins_with
from lots.pages.lists import ROWS_A_PAGE
from lots.pages.steps import BenchStep
from lots.people.access import (
    lot_for,
    own_party,
    party_looking,
    role_here,
    role_of,
    signed_in_page,
    staff_page,
)
from lots.services.delivery import LOTS_MAX, deliver
from reports.exports.delivery_note_pdf import delivery_note_pdf
from reports.models import AccessRecord
from reports.pages.access_log import note_page
from reports.pages.delivery_form import DeliveryForm
from reports.queries.delivery_effect import effect_of_note, effect_of_plan
from reports.queries.lot.customer_view import delivery_shown
from reports.queries.obligations import COVER


class Deliver(BenchStep):
    title = "Deliver"
    lead = "Whole lots leave together under one note, or none does."
    button = "They have left"
    done = "Delivered. Print the note to go with the metal."
    cautions = ("ship",)
    form_class = DeliveryForm
    offered_forms = ()
    template_name = "reports/deliver.html"

    def find(self, request: HttpRequest, **path: Any) -> Lot | None:
        return lot_for(request, path["code"]) if "code" in path else None

    def initial(self, request: HttpRequest) -> dict[str, Any]:
        codes = [self.subject.code] if self.subject else request.GET.getlist("lot")
        lots = Lot.objects.filter(code__in=codes[:LOTS_MAX]).select_related("owner").order_by("id")
        found: dict[str, Any] = {"lots": [(lot.code, "", "") for lot in lots]}
        owners = {lot.owner for lot in lots}
        if len(owners) == 1 and not (owner := owners.pop()).is_house:
            found |= {"kind": DeliveryNote.Kind.RETURN, "party": owner.pk}
        return found

    def context(self) -> dict[str, Any]:
        # Read again: the form itself carries what the service refused.
        filled = self.form.data if self.form.is_bound else begins_with(self.form)
        return {**effect_of_form(DeliveryForm(data=filled)), "local_law": LOCAL_LAW}

    def perform(self, act: Act, form: Any) -> Model:
        data = form.cleaned_data
        return deliver(
            kind=data["kind"],
            party=data["party"],
            items=form.items(),
            carrier=data["carrier"],
            act=act,
        )

    def after(self, recorded: Any) -> str:
        return reverse("delivery", args=[recorded.code])


def effect_of_form(form: Any) -> dict[str, Any]:
    """What the delivery would do to what is owed, once kind, party and lots are said."""
    form.full_clean()
    data = form.cleaned_data
    if not (data.get("kind") and data.get("party") and data.get("lots")):
        return {}
    lots = list({each.lot.pk: each.lot for each in data["lots"]}.values())
    return {
        "party": data["party"],
        "effect": effect_of_plan(data["kind"], data["party"], lots),
        "is_return": data["kind"] == DeliveryNote.Kind.RETURN,
        "cover_note": COVER,
    }


@staff_page
def delivery_effect(request: HttpRequest) -> HttpResponse:
    """The part of the page that shows what is owed before and after, while it is filled in."""
    return render(
        request, "reports/delivery_effect.html", effect_of_form(DeliveryForm(request.GET))
    )


@signed_in_page
def customer_deliveries(request: HttpRequest) -> HttpResponse:
    """What left the works for the signed-in customer, a page at a time."""
    party = own_party(request)
    note_page(request, party, AccessRecord.What.DELIVERIES, party.code)
    notes = DeliveryNote.objects.filter(party=party).annotate(lots=Count("lines"))
    page = Paginator(notes.order_by("-delivered_at", "-id"), ROWS_A_PAGE)
    return render(
        request,
        "reports/customer_deliveries.html",
        {
            "section": "my-deliveries",
            "party": party,
            "page": page.get_page(request.GET.get("page")),
            "query": "",
        },
    )


def note_for(request: HttpRequest, code: str) -> DeliveryNote:
    """Staff may see any; a customer what was delivered to them."""
    role = role_here(request)
    notes = DeliveryNote.objects.select_related("party", "delivered_by")
    note = get_object_or_404(notes, code=code.upper())
    if role == Person.Role.CUSTOMER and note.party != party_looking(request):
        raise Http404
    return note


@signed_in_page
def delivery_page(request: HttpRequest, code: str) -> HttpResponse:
    """The note to print, and for staff what it did to what is owed, and its movements."""
    note = note_for(request, code)
    note_page(request, note.party, AccessRecord.What.DELIVERY, note.code)
    is_staff = role_of(request) != Person.Role.CUSTOMER
    document = delivery_shown(note)
    return render(
        request,
        "reports/delivery.html",
        {
            "section": "bench",
            "note": note,
            "document": document,
            "party": note.party,
            "is_staff": is_staff,
            # The works' cover is nobody else's business.
            "effect": effect_of_note(note) if is_staff else (),
            "is_return": note.kind == DeliveryNote.Kind.RETURN,
            "cover_note": COVER,
            "has_bars": any(each.bar for each in document.lots),
            "can_take_back": is_staff and not all(each.taken_back for each in document.lots),
            "together": display.both(document.mass_ug),
        },
    )


@signed_in_page
def delivery_paper(request: HttpRequest, code: str) -> HttpResponse:
    """The note as a PDF to go with the metal and be signed for."""
    note = note_for(request, code)
    note_page(request, note.party, AccessRecord.What.DELIVERY, note.code, form="pdf")
    return to_save(delivery_note_pdf(delivery_shown(note)), f"{note.code}.pdf")
