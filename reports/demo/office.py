"""The office of Tern Quay: prices entered, terms agreed, settlements prepared and approved."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

from reports.demo.story import Story
from reports.models import Settlement
from reports.services.prices import record_price
from reports.services.settlement import approve_settlement, prepare_settlement
from reports.services.terms import set_terms

CURRENCY = "EUR"


def enter_prices(story: Story, month: int) -> None:
    """The month's prices, as someone in the office typed them in."""
    for index, each in enumerate(story.bench.facts["prices"]):
        if each["month"] != month:
            continue
        when = story.on(month, each["day"], 8, index)
        with story.bench.at(when, "odell") as act:
            record_price(
                metal=each["metal"],
                per_unit="ozt",
                price=Decimal(each["price"]),
                currency=CURRENCY,
                from_date=when.date(),
                source="Typed in from the morning's sheet",
                act=act,
            )


def agree_terms(story: Story) -> None:
    """Two customers' contracts are written down before their first lots come in."""
    for index, (customer, content) in enumerate(story.bench.facts["terms"].items()):
        with story.bench.at(story.on(0, 1, 9, index), "odell") as act:
            set_terms(
                customer=story.bench.cast.parties[customer],
                content=content,
                act=act,
            )


def settle(story: Story, name: str, kind: str, when: dt.datetime) -> Settlement:
    """One person prepares a lot's settlement, another approves it."""
    lot = story.lots[f"{name} received"]
    with story.bench.at(when, "odell") as act:
        settlement = prepare_settlement(lot=lot, kind=kind, act=act)
    with story.bench.at(when + dt.timedelta(hours=1), "marit") as act:
        return approve_settlement(settlement=settlement, act=act)
