"""Every page of the works by the table of addresses, filled in with what is on the books.

For what looks at all pages at once: their budgets, and what a browser finds on them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Final

from django.db.models import QuerySet

from cells.models import Cell, CellRun, CellWarning, ElectrolyteBatch, RunReading
from lots.models import (
    Assay,
    Balance,
    BarRecord,
    DeliveryNote,
    Document,
    Excess,
    Lot,
    Movement,
    Party,
    Person,
    Place,
    ProcessBatch,
    Weighing,
)
from reports.models import (
    CountLine,
    CountSheet,
    MonthEnd,
    Payment,
    Settlement,
    SettlementQuestion,
    SharedLink,
)
from tests.access_table import TABLE

# Answers that are no pages: files, parts of pages, what the machines read.
NO_PAGES: Final = re.compile(
    r"(admin|api|static|health|live|ready|metrics)/?|.*(paper|workbook|form|weights|effect)/$"
    r"|documents/|convert/|imports/(template|draft)/|shared/|q/|sign-|set-up/"
)
_CUSTOMERS: Final = ("accounts", "terms")


def _first(rows: QuerySet[Any], name: str) -> Any:
    return rows.order_by("pk").values_list(name, flat=True).first()


def _month() -> str | None:
    month_end = MonthEnd.objects.order_by("pk").last()
    return None if month_end is None else f"{month_end.books_month.first_day:%Y-%m}"


_BY_SECTION: Final[dict[str, Callable[[], Any]]] = {
    "adjustments": lambda: None,
    "assays": lambda: _first(Assay.objects.all(), "pk"),
    "bars": lambda: _first(BarRecord.objects.all(), "pk"),
    "cells": lambda: _first(Cell.objects.all(), "code"),
    "counts": lambda: _first(CountSheet.objects.all(), "code"),
    "deliveries": lambda: _first(DeliveryNote.objects.all(), "code"),
    "documents": lambda: _first(Document.objects.all(), "pk"),
    "electrolytes": lambda: _first(ElectrolyteBatch.objects.all(), "lot__code"),
    "excesses": lambda: _first(Excess.objects.all(), "pk"),
    "links": lambda: _first(SharedLink.objects.all(), "pk"),
    "lots": lambda: _first(Lot.objects.filter(state="available", form="granules"), "code"),
    "measurements": lambda: _first(Weighing.objects.all(), "pk"),
    "months": _month,
    "movements": lambda: _first(Movement.objects.all(), "sequence"),
    "papers": lambda: _first(Document.objects.all(), "pk"),
    "people": lambda: _first(Person.objects.filter(role="operator"), "pk"),
    "payments": lambda: _first(Payment.objects.all(), "code"),
    "processes": lambda: _first(ProcessBatch.objects.all(), "code"),
    "questions": lambda: _first(SettlementQuestion.objects.all(), "pk"),
    "readings": lambda: _first(RunReading.objects.all(), "pk"),
    "runs": lambda: _first(CellRun.objects.all(), "code"),
    "settlements": lambda: _first(Settlement.objects.all(), "code"),
    "slimes": lambda: _first(ProcessBatch.objects.filter(kind="slimes_recovery"), "code"),
    "warnings": lambda: _first(CellWarning.objects.all(), "pk"),
    "weighings": lambda: _first(Weighing.objects.all(), "pk"),
    "reference/balances": lambda: _first(Balance.objects.all(), "code"),
    "reference/cells": lambda: _first(Cell.objects.all(), "code"),
    "reference/parties": lambda: _first(Party.objects.all(), "code"),
    "reference/places": lambda: _first(Place.objects.all(), "code"),
}


def page_addresses() -> dict[str, str | None]:
    """The address of each page's route, filled in; None where there is nothing to fill it with."""
    routes = [
        route
        for route, (read, _) in TABLE.items()
        if read != "-" and not NO_PAGES.match(route) and not route.startswith("my-")
    ]
    return {route: _filled(route) for route in sorted(routes)}


def _filled(route: str) -> str | None:
    address = "" if route == "(today)" else route
    for name in re.findall(r"<(\w+)>", route):
        value = _value(route, name)
        if value is None:
            return None
        address = address.replace(f"<{name}>", str(value))
    return f"/{address}"


def _value(route: str, name: str) -> Any:
    if name == "lot":
        return _first(CountLine.objects.all(), "lot__code")
    section = route.partition("/<")[0].removesuffix("/of")
    if section in _CUSTOMERS:
        return _first(Party.objects.filter(kind=Party.Kind.CUSTOMER), "code")
    found = _BY_SECTION.get(section)
    return found() if found is not None else None
