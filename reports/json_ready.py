"""Answers as plain data for JSON, and read back: numbers that must stay exact are text."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from decimal import Decimal
from enum import Enum
from inspect import isclass
from math import isfinite
from types import UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints


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


def read_back(kind: Any, plain: Any) -> Any:
    """The value of type `kind` that `json_ready` made plain; what was not kept has its default."""
    origin, arguments = get_origin(kind), get_args(kind)
    if plain is None:
        return None
    if origin in {Union, UnionType}:
        return read_back(next(each for each in arguments if each is not type(None)), plain)
    if is_dataclass(kind):
        hints: dict[str, Any] = get_type_hints(kind)
        kept = {name: read_back(hint, plain[name]) for name, hint in hints.items() if name in plain}
        return kind(**kept)  # type: ignore[operator]
    if origin in {tuple, list}:
        return origin(read_back(arguments[0], each) for each in plain)
    if isclass(origin) and issubclass(origin, Mapping):
        return {
            read_back(arguments[0], key): read_back(arguments[1], each)
            for key, each in plain.items()
        }
    if kind in {dt.datetime, dt.date}:
        return kind.fromisoformat(plain)
    return kind(plain) if kind is Decimal or (isclass(kind) and issubclass(kind, Enum)) else plain
