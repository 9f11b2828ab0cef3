"""Short ways to bring a test's metal on the books, all of them through services."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

from django.apps import apps

from lots.ledger.recording import Act
from lots.measurements.outputs import Output
from lots.measurements.weighings import Weight
from lots.models import Lot, Party
from lots.services.receipt import Receipt, receive_lot
from reports.queries.month.periods import Period

STERLING = {"Ag": Decimal(925), "Cu": Decimal(75)}
GRAM = 1_000_000


def receipt_of(
    works: SimpleNamespace,
    grams: float = 100,
    declared: Mapping[str, Decimal] = STERLING,
    *,
    owner: Party | None = None,
    **changed: Any,
) -> Receipt:
    """Sterling flatware of the house (or of `owner`) on the feed shelf, unless `changed`."""
    return Receipt(
        **{
            "party": works.brackwater if owner is None or owner.is_house else owner,
            "owner": owner or works.house,
            "form": Lot.Form.FEED,
            "place": works.places["feed-shelf"],
            "weight": Weight(round(grams * GRAM), 0, works.balance),
            "declared": declared,
        }
        | changed
    )


def receive(
    works: SimpleNamespace,
    act: Act,
    grams: float = 100,
    declared: Mapping[str, Decimal] = STERLING,
    *,
    owner: Party | None = None,
) -> Lot:
    """A lot received."""
    return receive_lot(receipt=receipt_of(works, grams, declared, owner=owner), act=act)


def weighed_output(
    works: SimpleNamespace,
    grams: float,
    declared: Mapping[str, Decimal] | None = STERLING,
    **changed: Any,
) -> Output:
    """Granules out of a batch, weighed, with a stated content."""
    return Output(
        **{
            "form": Lot.Form.GRANULES,
            "place": works.places["melt-bench"],
            "weight": Weight(round(grams * GRAM), 0, works.balance),
            "declared": declared,
        }
        | changed
    )


def month_2026(month: int) -> Period:
    """A month as it lies in Greenwich's time, asked of no database."""
    first, after = (dt.datetime(2026, each, 1, tzinfo=dt.UTC) for each in (month, month + 1))
    return Period(first.date(), first, after)


def row_counts() -> dict[str, int]:
    """How many rows every table of the works has: equal before and after a refusal."""
    return {
        model._meta.label: model._default_manager.count()
        for label in ("lots", "cells", "reports")
        for model in apps.get_app_config(label).get_models()
    }
