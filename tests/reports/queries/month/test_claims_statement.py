"""Each owner's month: what is kept apart, and the claim on the pool."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

from lots.ledger.holdings import claims_of
from reports.queries.inventory import inventory
from reports.queries.month.claims_statement import OwnerStatement, claims_statement
from reports.queries.month.periods import Period, month_period

G = 1_000_000


def of(rows: tuple[OwnerStatement, ...], owner: str, metal: str) -> OwnerStatement:
    (row,) = [row for row in rows if (row.owner, row.metal) == (owner, metal)]
    return row


def test_commingled_metal_becomes_a_claim(spring: SimpleNamespace, april: Period) -> None:
    rows = claims_statement(april)
    pellow = of(rows, "pellow-dane", "Ag")
    assert (pellow.opening_ug, pellow.closing_ug) == (0, 479_200_000)
    assert [(each.kind, each.change_ug) for each in pellow.changes] == [
        ("batch_input", 479_200_000)
    ]
    assert pellow.closing_ug == claims_of(spring.works.pellow)["Ag"]
    assert (pellow.apart_opening_ug, pellow.apart_closing_ug) == (0, 0)
    brackwater = of(rows, "brackwater", "Ag")
    assert (brackwater.closing_ug, brackwater.apart_closing_ug) == (0, 925 * G)


def test_all_owners_together_are_the_inventory(spring: SimpleNamespace) -> None:
    for month in (3, 4, 5):
        period = month_period(dt.date(2026, month, 1))
        rows = claims_statement(period)
        for position in inventory(period.closing()).positions:
            mine = [row for row in rows if row.metal == position.metal]
            assert sum(row.closing_ug + row.apart_closing_ug for row in mine) == (
                position.holdings_ug
            )
            house = sum(row.closing_ug for row in mine if row.is_house)
            assert house == position.house_ug


def test_statement_of_one_owner_shows_no_other(spring: SimpleNamespace, april: Period) -> None:
    rows = claims_statement(april, owner=spring.works.pellow)
    assert {row.owner for row in rows} == {"pellow-dane"}


def test_claims_ask_a_fixed_number_of_queries(
    spring: SimpleNamespace, april: Period, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(15):
        claims_statement(april)
