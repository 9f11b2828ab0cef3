"""Answers as plain data for JSON: numbers that must stay exact are text."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from decimal import Decimal
from enum import Enum
from math import isfinite
from typing import Any


def json_ready(value: Any) -> Any:
    """`value` (dataclasses, mappings, sequences) with decimals as text and moments in ISO form.

    Whole numbers stay numbers (the largest mass on the books is below 2^53), and so do the floats
    of statistics. Raises TypeError for what has no plain form.
    """
    if isinstance(value, Enum):
        return value.value
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, float) and isfinite(value):
        return value
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if is_dataclass(value) and not isinstance(value, type):
        return {each.name: json_ready(getattr(value, each.name)) for each in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): json_ready(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [json_ready(each) for each in value]
    raise TypeError(f"{type(value).__name__} has no plain form")
