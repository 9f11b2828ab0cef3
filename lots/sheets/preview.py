"""How a row of an import is shown before it is recorded: as it will stand on the books."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

from django.db.models import Model
from django.utils import timezone

from lots import display
from lots.queries.works_zone import works_zone
from lots.sheets.columns import Column, Kind
from lots.sheets.subjects import Row, Subject


def shown_row(subject: Subject, row: Row) -> dict[str, Any]:
    """The row's number and each value it gives, by column, as text."""
    cells = {
        column.name: shown_value(column, row.get(column.name))
        for column in subject.columns
        if row.get(column.name) is not None
    }
    return {"row": row.number, "cells": cells}


def shown_value(column: Column, value: Any) -> str:
    """One value as people read it, in the units of the books."""
    if isinstance(value, Model):
        return str(value)
    if column.kind == Kind.MASS:
        return f"{display.grams(value)}\n{display.ounces(value)}"
    if column.kind == Kind.VOLUME:
        return display.litres(value)
    if column.kind == Kind.FINENESS:
        return f"{display.grouped(value.normalize())} ‰"
    if isinstance(value, Decimal):
        return f"{display.grouped(value.normalize())} {column.usual_unit}".strip()
    if isinstance(value, dt.datetime):
        local = timezone.localtime(value, works_zone())
        return f"{local:%Y-%m-%d %H:%M:%S}".removesuffix(":00")
    if isinstance(value, bool):
        return "yes" if value else "no"
    if column.kind == Kind.CHOICE:
        return dict(column.choices).get(str(value), str(value))
    return str(value)
