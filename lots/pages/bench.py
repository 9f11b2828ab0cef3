"""The bench: each thing that happens, in the order it happens."""

from __future__ import annotations

from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from config.menu import Link, links_for
from config.pages import message_of
from config.refusals import RefusalError
from lots.pages.form_fields import lot_by_code
from lots.people.access import role_of, staff_page


@staff_page
def bench(request: HttpRequest) -> HttpResponse:
    """The steps by group; a typed or scanned code leads to what can be done with that lot."""
    problem = ""
    code = request.GET.get("code", "").strip()
    if code:
        try:
            return redirect(reverse("lot", args=[lot_by_code(code).code]) + "#next")
        except RefusalError as refusal:
            problem = message_of(refusal)
        except ValidationError:
            problem = f"There is no lot {code[:40]}."
    groups: dict[str, list[Link]] = {}
    for link in links_for("BENCH", role_of(request) or ""):
        groups.setdefault(link.group, []).append(link)
    return render(
        request,
        "lots/bench.html",
        {"section": "bench", "groups": groups.items(), "code": code[:200], "problem": problem},
    )
