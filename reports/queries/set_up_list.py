"""What a works that has just been set up still misses, until its first cell runs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.db.models import Exists, Model, QuerySet
from django.urls import reverse
from django.utils.http import urlencode

from cells.models import CHARGED_FORMS, Cell, CellRun, ElectrolyteBatch
from lots.models import Balance, BooksMonth, LedgerHead, Lot, Place, WorksSettings
from lots.queries.at_hand import lots_at_hand

_LAST: Final = "started"


@dataclass(frozen=True)
class Line:
    """One thing to do: `url` is where, `other` another way to it with its words."""

    text: str
    is_done: bool
    url: str
    hint: str = ""


def set_up_list() -> list[Line]:
    """Every line, done or not; empty once the first cell was started or a month was closed."""
    done = _done()
    if done[_LAST] or done["closed"]:
        return []
    lines = [
        _line("The name of the works", done["named"], "works-details"),
        _line(
            "The places where things stand", done["places"], "usual-places", "Tick the usual ones"
        ),
        _line("A scale", done["scales"], "balance-add", "Its last digit is enough"),
        _line("What is on the shelves", done["lots"], "open-stock", "By its word and weight"),
        _line("A cell", done["cells"], "cell-add", "Litres, filter cloth, current, fuse"),
    ]
    if done["cells"] and not done["runs"]:
        lines.append(
            _line("Is it running already?", False, "open-run", "Since when, and what went in", "")
        )
    lines.append(
        _line("Its electrolyte", done["baths"], "open-recipe", "600 g of silver made up to 5 L")
    )
    run = CellRun.objects.order_by("id").first() if done["runs"] else None
    cell = Cell.objects.filter(is_active=True).order_by("id").first() if done["cells"] else None
    lines.append(
        Line(
            "Charge the cell",
            done["runs"],
            _charge_at(cell) if cell is not None else reverse("cells"),
        )
    )
    lines.append(
        Line(
            "Switch the current on",
            done[_LAST],
            reverse("run-start", args=[run.code]) if run is not None else reverse("cells"),
        )
    )
    return lines


def _charge_at(cell: Cell) -> str:
    """The cell's form of a charge, begun with the lot where there is only one to charge."""
    lots = lots_at_hand(CHARGED_FORMS, 2)
    begun = f"?{urlencode({'take': f'{lots[0].code}:'})}" if len(lots) == 1 else ""
    return f"{reverse('charge', args=[cell.code])}{begun}"


def _line(text: str, is_done: bool, name: str, hint: str = "", back: str = "/") -> Line:
    """A line whose page leads back to the list, unless its own receipt is worth more."""
    query = f"?{urlencode({'next': back})}" if back else ""
    return Line(text, is_done, f"{reverse(name)}{query}", hint)


def _done() -> dict[str, bool]:
    parts: dict[str, QuerySet[Model]] = {
        "named": WorksSettings.objects.exclude(name=""),
        "places": Place.objects.exclude(area=Place.Area.CELL),
        "scales": Balance.objects.all(),
        "lots": Lot.objects.exclude(form=Lot.Form.ELECTROLYTE),
        "cells": Cell.objects.all(),
        "baths": ElectrolyteBatch.objects.all(),
        "runs": CellRun.objects.exclude(state=CellRun.State.WITHDRAWN),
        _LAST: CellRun.objects.filter(started_at__isnull=False),
        "closed": BooksMonth.objects.filter(state=BooksMonth.State.CLOSED),
    }
    asked = {f"has_{name}": Exists(rows) for name, rows in parts.items()}
    found = LedgerHead.objects.annotate(**asked).values(*asked).first() or {}
    return {name: bool(found.get(f"has_{name}")) for name in parts}
