"""Settlements: the list, one with its lines and their evidence, and its steps."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from lots.models import Person
from lots.people.access import party_looking, role_here, role_of, signed_in_page, staff_page
from lots.people.roles import OFFICE
from reports.models import AccessRecord, Settlement, SettlementQuestion
from reports.pages.access_log import note_page
from reports.queries.account_money import settlement_payments
from reports.queries.lot.settlement_statement import settlement_statement
from reports.queries.shared_links import SHOWN_STATES, is_open

LISTED_MAX = 200


def settlement_for(request: HttpRequest, code: str) -> Settlement:
    """Staff may see any; a customer their own, once it is approved."""
    settlements = Settlement.objects.select_related("lot", "customer")
    if role_here(request) == Person.Role.CUSTOMER:
        settlements = settlements.filter(customer=party_looking(request), state__in=SHOWN_STATES)
    return get_object_or_404(settlements, code=code.upper())


@staff_page
def settlement_list(request: HttpRequest) -> HttpResponse:
    settlements = Settlement.objects.select_related("lot", "customer")
    return render(
        request,
        "reports/settlements.html",
        {
            "section": "settlements",
            "settlements": settlements[:LISTED_MAX],
            "open_questions": SettlementQuestion.objects.filter(
                state=SettlementQuestion.State.OPEN
            ).count(),
        },
    )


@signed_in_page
def settlement_page(request: HttpRequest, code: str) -> HttpResponse:
    settlement = settlement_for(request, code)
    note_page(request, settlement.customer, AccessRecord.What.SETTLEMENT, settlement.code)
    is_shown = settlement.state in SHOWN_STATES
    return render(
        request,
        "reports/settlement.html",
        {
            "section": "settlements",
            "settlement": settlement,
            "document": settlement_statement(settlement),
            "money": settlement_payments(settlement) if is_shown else None,
            "superseded_by": settlement.superseded_by.filter(state__in=SHOWN_STATES).first(),
            "is_in_force": settlement.state == Settlement.State.APPROVED,
            "is_shown": is_shown,
            **office_view(settlement, role_of(request)),
        },
    )


def office_view(settlement: Settlement, role: str | None) -> dict[str, Any]:
    """What the people of the works see beside the statement: links, questions, what they may do."""
    if role is None or role == Person.Role.CUSTOMER:
        return {}
    links = settlement.shared_links.select_related("created_by", "revoked_by")
    return {
        "is_staff": True,
        "links": [(link, is_open(link)) for link in links] if role in OFFICE else [],
        "questions": SettlementQuestion.objects.filter(lot=settlement.lot_id),
    }
