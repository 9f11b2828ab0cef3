"""A customer's contract terms are written down as a new version; the versions before stay."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any, Final

from django.db.models import Max
from django.shortcuts import get_object_or_404

from config.refusals import refuse
from lots import clock
from lots.declaration.event import SUBJECT, Asks, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Party
from lots.people.roles import OFFICE
from reports.models import ContractTerms
from reports.queries.month.periods import local_day
from reports.terms import parse_terms, terms_as_json


def customer_of_terms(code: str) -> Party:
    """The customer of this code, or 404; the house has no terms with itself."""
    return get_object_or_404(Party.objects.exclude(kind=Party.Kind.HOUSE), code=code)


ON_CUSTOMER: Final = On(
    Party,
    "terms/<slug:code>",
    "customer",
    section="settlements",
    page="customer-terms",
    found=lambda address: customer_of_terms(address["code"]),
)


@recorded_once
def set_terms(
    *,
    customer: Party,
    content: Annotated[
        Mapping[str, Any],
        Asks(
            help="Fields of the terms: currency, settle_in, weight_basis, metals, treatment, "
            "penalties, prices and rounding. A refusal names the field at fault."
        ),
    ],
    act: Act,
    form: Annotated[str, Asks(choices=Lot.Form)] = "",
    valid_from: dt.date | None = None,
) -> ContractTerms:
    """Writes down the next version of a customer's terms, for one form or (blank) for all.

    They hold for lots received from `valid_from` on (the act's day unless told). Raises
    InvalidError `house_has_no_terms`, `unknown_choice`, and what `parse_terms` raises.
    """
    if customer.is_house:
        raise refuse("house_has_no_terms", field="customer", value=customer.code)
    if form and form not in Lot.Form.values:
        raise refuse(
            "unknown_choice:terms", field="form", value=form, lot=", ".join(Lot.Form.values)
        )
    terms = parse_terms(content)
    versions = ContractTerms.objects.filter(customer=customer, form=form)
    return ContractTerms.objects.create(
        customer=customer,
        form=form,
        number=(versions.aggregate(last=Max("number"))["last"] or 0) + 1,
        valid_from=valid_from or local_day(act.moment),
        content=terms_as_json(terms),
        note=act.note,
        recorded_by_id=act.who.pk,
        recorded_at=clock.now(),
    )


SET_TERMS: Final = Event(
    set_terms,
    at="terms/record",
    about="Write down the next version of a customer's terms; the versions before stay.",
    lead="A new version beside the ones before: those stay, and settlements keep the terms they "
    "were made by. Every figure is the parties' own agreement.",
    button="Show what changes",
    asked_as={"terms": "content"},
    done="The new version is written down.",
    roles=OFFICE,
    when="",
)
WRITE_TERMS: Final = replace(
    SET_TERMS,
    on=ON_CUSTOMER,
    name="terms-write",
    template="reports/terms_step.html",
    title="Write down terms",
    at="",
    page_at="write",
    lands=SUBJECT,
)
