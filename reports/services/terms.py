"""A customer's contract terms are written down as a new version; the versions before stay."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from django.db.models import Max

from config.refusals import refuse
from lots import clock
from lots.ledger.recording import Act, recorded_once
from lots.models import Lot, Party
from reports.models import ContractTerms
from reports.queries.month.periods import local_day
from reports.terms import parse_terms, terms_as_json


@recorded_once
def set_terms(
    *,
    customer: Party,
    content: Mapping[str, Any],
    act: Act,
    form: str = "",
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
