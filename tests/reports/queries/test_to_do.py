"""Matters by what is at stake: beyond the limit first, the dearest first, trifles in one line."""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.models import MetalPrice
from reports.queries.latest_prices import latest_prices
from reports.queries.to_do import TRIFLE_UG, Attention, Urgency, by_stake, gathered

G = 1_000_000
PRICES = {"Ag": Decimal(1), "Au": Decimal(80)}


def matter(text: str, urgency: Urgency = Urgency.SOON, **stake: int) -> Attention:
    return Attention(urgency, "excess", "1", text, None, stake)


def test_what_is_beyond_its_limit_comes_before_what_is_only_urgent():
    beyond = Attention(Urgency.SOON, "excess", "1", "beyond", None, {"Ag": G}, is_beyond=True)
    found = by_stake([matter("run", Urgency.NOW), beyond], PRICES)
    assert [each.text for each in found] == ["beyond", "run"]


def test_a_gram_of_gold_comes_before_ten_of_silver_and_without_prices_after():
    silver, gold = matter("silver", Ag=10 * G), matter("gold", Au=G)
    assert [each.text for each in by_stake([silver, gold], PRICES)] == ["gold", "silver"]
    assert [each.text for each in by_stake([silver, gold], {})] == ["silver", "gold"]


def test_hundredths_of_a_gram_are_gathered_but_never_what_is_beyond_its_limit():
    small, large = matter("small", Ag=TRIFLE_UG - 1), matter("large", Ag=TRIFLE_UG)
    beyond = Attention(Urgency.TODAY, "excess", "1", "beyond", None, {"Au": 9}, is_beyond=True)
    nothing = matter("a run")
    assert gathered([small, large, beyond, nothing]) == ([large, beyond, nothing], [small])


@given(st.lists(st.tuples(st.sampled_from(Urgency), st.integers(0, 10**9), st.booleans())))
def test_no_matter_is_lost_or_doubled(given_matters):
    matters = [
        Attention(urgency, "excess", str(number), "", None, {"Ag": ug}, is_beyond)
        for number, (urgency, ug, is_beyond) in enumerate(given_matters)
    ]
    shown, small = gathered(by_stake(matters, PRICES))
    assert sorted(map(id, [*shown, *small])) == sorted(map(id, matters))


@pytest.mark.django_db
def test_prices_are_the_latest_of_the_day_in_the_currency_with_most():
    def price(metal: str, amount: str, currency: str, day: date, unit: str = "g") -> None:
        MetalPrice.objects.create(
            metal=metal, price=amount, currency=currency, from_date=day, per_unit=unit
        )

    price("Ag", "1", "EUR", date(2026, 5, 1))
    price("Ag", "2", "EUR", date(2026, 5, 3))
    price("Ag", "9", "EUR", date(2026, 5, 9))
    price("Au", "31.1034768", "EUR", date(2026, 5, 1), "ozt")
    price("Pt", "30", "USD", date(2026, 5, 1))
    worth = latest_prices(date(2026, 5, 4))
    assert worth == {"Ag": Decimal("0.000002"), "Au": pytest.approx(Decimal("0.000001"))}
