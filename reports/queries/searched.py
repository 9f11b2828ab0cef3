"""Which records of the office the site's search finds, and by what."""

from __future__ import annotations

from typing import Final

from lots.queries.search import Searched

SEARCHED: Final = (
    Searched(
        "Settlements",
        "reports.Settlement",
        "settlement",
        ("code", "lot__code", "customer__name"),
        about="customer",
    ),
    Searched(
        "Payments",
        "reports.Payment",
        "payment",
        ("code", "customer__name", "settlement__code", "reference", "note"),
        about="customer",
    ),
    Searched(
        "Questions",
        "reports.SettlementQuestion",
        "question",
        ("lot__code", "customer__name", "settlement__code", "question", "reply"),
        about="lot",
        address_by="pk",
    ),
    Searched(
        "Count sheets",
        "reports.CountSheet",
        "count-sheet",
        ("code", "place__name"),
        about="place",
    ),
)
