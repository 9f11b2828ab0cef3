"""Search, the address a label's code opens, and the conversion shown while a mass is typed."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_safe

from config.pages import message_of
from config.refusals import RefusalError
from lots import display
from lots.pages.form_fields import SCANNED_AT, MassInput
from lots.people.access import role_of, staff_page
from lots.queries.search import WORDS_MAX, search
from lots.scales import CAPACITY_RULE, UNCERTAINTY_RULE, rounding_ug, usual_capacity_ug
from lots.written import read_mass


@staff_page
def search_page(request: HttpRequest) -> HttpResponse:
    # A scanner types a label's whole address; its lot's code is what is looked for.
    words = request.GET.get("q", "").rpartition(SCANNED_AT)[2].strip("/ ")[:WORDS_MAX]
    found = search(words)
    if found.exact is not None:
        return redirect("lot", code=found.exact.code)
    if found.exact_record is not None:
        return redirect(found.exact_record.url_name, found.exact_record.key)
    return render(request, "lots/search.html", {"words": words, "found": found})


@require_safe
def scanned(request: HttpRequest, code: str) -> HttpResponse:
    """Where a label's QR code leads: staff to the lot, its customer to the answer."""
    if role_of(request) == "customer":
        return redirect("lot-answer", code=code)
    return redirect("lot", code=code)


@staff_page
def convert_mass(request: HttpRequest) -> HttpResponse:
    """One line below the field: the mass in the other units, or what is wrong with it."""
    return _below_a_mass(request, lambda mass_ug: f"= {display.both(mass_ug)}")


@staff_page
def scale_rule(request: HttpRequest) -> HttpResponse:
    """One line below a scale's last digit: what follows from it, and by which rule."""
    return _below_a_mass(
        request,
        lambda readability_ug: (
            f"± {display.grams(rounding_ug(readability_ug))} ({UNCERTAINTY_RULE}). Such a scale "
            f"usually takes {display.grams(usual_capacity_ug(readability_ug))} ({CAPACITY_RULE})."
        ),
    )


def _below_a_mass(request: HttpRequest, say: Callable[[int], str]) -> HttpResponse:
    text = MassInput().value_from_datadict(request.GET, None, request.GET.get("of", ""))
    if not text:
        return HttpResponse("")
    try:
        quantity = read_mass(text, positive=False)
    except RefusalError as refusal:
        return render(
            request, "lots/conversion.html", {"problem": refusal.remedy or message_of(refusal)}
        )
    return render(request, "lots/conversion.html", {"text": say(quantity.mass_ug)})
