"""A settlement in force that went to an umpire, for the pages of the office (invented)."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import Lot
from lots.services.ownership import change_owner
from reports.models import Settlement
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms
from tests.builders import receive

OFFICE_TERMS = {
    "currency": "EUR",
    "settle_in": "metal",
    "metals": [
        {
            "metal": "Ag",
            "splitting_limit_ppt": "2",
            "umpire_rule": "nearer",
            "accountability": [{"percent": "99", "minimum_deduction_ppt": "1"}],
            "refining_charge_per_ozt": "0.5",
        }
    ],
    "treatment": [{"per_kg": "40"}],
    "umpire_fee": "80",
}


@pytest.fixture
def disputed(works: SimpleNamespace, act: Callable[..., Any]) -> Lot:
    """Isolde's 1000 g: the house found 900 ‰, she 903, the umpire 900.8; then a claim."""
    lot = receive(works, act(0), grams=1000, owner=works.brackwater)
    for side, silver in (("house", "900"), ("counterparty", "903"), ("umpire", "900.8")):
        findings = {"Ag": Finding(Decimal(silver), Decimal("0.5"))}
        report = AssayReport("gravimetric", works.laboratory, findings, side=side)
        record_assay(lot=lot, report=report, act=act(1))
    set_terms(
        customer=works.brackwater,
        content=OFFICE_TERMS,
        valid_from=dt.date(2026, 5, 1),
        act=act(1, who=works.accountant),
    )
    change_owner(lot=lot, owner=works.house, as_claim=True, act=act(1.5))
    return lot


@pytest.fixture
def in_force(works: SimpleNamespace, act: Callable[..., Any], disputed: Lot) -> Settlement:
    draft = prepare_settlement(lot=disputed, kind="final", act=act(2, who=works.accountant))
    return approve_settlement(settlement=draft, act=act(3, who=works.manager))
