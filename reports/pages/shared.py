"""What a link shows without a sign-in: one settlement, or one lot's answer."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import wraps
from typing import Any, Final

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from config.asker import address_of
from config.pages import not_found, to_save
from config.refusals import TooManyError
from lots import clock
from lots.api.records import show
from lots.models import Lot, Party, SignInAttempt
from lots.people.attempts import check_door, knock
from reports.exports.lot_answer_pdf import lot_answer_pdf
from reports.exports.settlement_pdf import settlement_pdf
from reports.models import Settlement, SharedLink
from reports.pages.lot_answer import headings
from reports.queries.lot.lot_answer import LotAnswer, lot_answer
from reports.queries.lot.settlement_statement import SettlementDocument, settlement_statement
from reports.services.shared_links import read_link

# The address is the key, so no search engine, other site or cache may learn of it.
_HEADERS: Final = {
    "X-Robots-Tag": "noindex, nofollow, noarchive",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store, private, max-age=0",
}
FORMS: Final = ("page", "json", "pdf")


def _kept_private(view: Callable[..., HttpResponse]) -> Callable[..., HttpResponse]:
    @wraps(view)
    def answer(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        response = view(request, *args, **kwargs)
        for name, value in _HEADERS.items():
            response.headers[name] = value
        return response

    return answer


@_kept_private
@require_safe
def shared_page(request: HttpRequest, token: str, form: str = "page") -> HttpResponse:
    """The thing as a page, as JSON or as a PDF; 404 alike for every token that opens nothing."""
    address = address_of(request)
    try:
        check_door(door=SignInAttempt.Door.LINK, digest="", address=address)
        link = read_link(token, form) if form in FORMS else None
        if link is None:
            knock(door=SignInAttempt.Door.LINK, name="", address=address)
            return not_found(request, Exception())
    except TooManyError as refusal:
        return _come_later(refusal)
    if link.settlement is not None:
        return _settlement(request, link, link.settlement, token, form)
    assert link.lot is not None
    return _lot(request, link, link.lot, token, form)


def _come_later(refusal: TooManyError) -> HttpResponse:
    answer = HttpResponse(
        f"{refusal.message} {refusal.remedy}", content_type="text/plain", status=refusal.status
    )
    answer.headers["Retry-After"] = str(refusal.wait_s)
    return answer


def _settlement(
    request: HttpRequest, link: SharedLink, settlement: Settlement, token: str, form: str
) -> HttpResponse:
    document: SettlementDocument = settlement_statement(settlement)
    if form == "json":
        return _json(document)
    if form == "pdf":
        return to_save(settlement_pdf(document), f"{settlement.code}.pdf")
    context = {"link": link, "token": token, "document": document}
    return render(request, "reports/shared_settlement.html", context)


def _lot(request: HttpRequest, link: SharedLink, lot: Lot, token: str, form: str) -> HttpResponse:
    answer: LotAnswer = lot_answer(lot, seen_by=link.customer)
    if form == "json":
        return _json(answer)
    if form == "pdf":
        house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
        paper = lot_answer_pdf(answer, house=house.name if house else "", made_at=clock.now())
        return to_save(paper, f"{lot.code}.pdf")
    metals = [{"answer": metal, "where": headings(metal)} for metal in answer.metals]
    context = {"link": link, "token": token, "answer": answer, "metals": metals}
    return render(request, "reports/shared_lot.html", context)


def _json(shown: object) -> HttpResponse:
    text = json.dumps(show(shown), ensure_ascii=False)
    return HttpResponse(text, content_type="application/json; charset=utf-8")
