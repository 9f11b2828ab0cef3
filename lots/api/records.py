"""Answers' dataclasses as JSON by one rule, and the schema that documents them by the same rule.

A field or property `held_ug` becomes `held` with micrograms, grams and troy ounces, `volume_ul`
becomes `volume`; decimals are text, moments ISO 8601, models their code.
"""

from __future__ import annotations

import datetime as dt
import inspect
import math
import types
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from decimal import Decimal
from enum import Enum
from functools import cache
from operator import attrgetter
from typing import Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from django.db.models import Model
from rest_framework.serializers import DateTimeField

from lots.api.fields import MASS, show_mass, show_volume
from lots.models import Movement

# Mappings of this name hold micrograms by metal although no unit is in it.
BY_METAL: Final = frozenset({"metals"})
VOLUME: Final[dict[str, Any]] = {
    "type": "object",
    "properties": {"ul": {"type": "integer"}, "l": {"type": "string"}},
    "required": ["ul", "l"],
}
_PLAIN: Final[dict[Any, dict[str, Any]]] = {
    str: {"type": "string"},
    bool: {"type": "boolean"},
    int: {"type": "integer"},
    # A figure without an end, such as a limit where nothing is tested, is null.
    float: {"type": "number", "nullable": True},
    Decimal: {"type": "string"},
    dt.datetime: {"type": "string", "format": "date-time"},
    dt.date: {"type": "string", "format": "date"},
}
_MOMENT: Final = DateTimeField()


@dataclass(frozen=True)
class Shown:
    """An object of an answer that is not shown as it is: its parts by name.

    A part is its type, or that of a `Shown` or a list of one, and where it is found unless it is
    found under its name: a path such as "run.code", or a function of what is shown.
    """

    about: str
    parts: Mapping[str, Any]

    def of(self, value: Any, by_metal: Collection[str] = BY_METAL) -> dict[str, Any]:
        """The object as plain data for JSON."""
        shown = {}
        for name, kind in self.kinds():
            found = _found(value, name, self.parts[name])
            if isinstance(kind, list):
                found = [kind[0].of(each, by_metal) for each in found]
            elif isinstance(kind, Shown):
                found = None if found is None else kind.of(found, by_metal)
            shown[shown_as(name)] = _shown(name, found, by_metal)
        return shown

    def schema(self, by_metal: Collection[str] = BY_METAL) -> dict[str, Any]:
        """The OpenAPI schema of the object."""
        properties = {
            shown_as(name): _field_schema(name, kind, by_metal) for name, kind in self.kinds()
        }
        schema = {"type": "object", "properties": properties, "required": list(properties)}
        return {**schema, "description": self.about} if self.about else schema

    def kinds(self) -> Iterator[tuple[str, Any]]:
        for name, part in self.parts.items():
            yield name, part[0] if isinstance(part, tuple) else part


def _found(value: Any, name: str, part: Any) -> Any:
    where = part[1] if isinstance(part, tuple) else name
    if callable(where):
        return where(value)
    return value[where] if isinstance(value, Mapping) else attrgetter(where)(value)


def show(value: Any, by_metal: Collection[str] = BY_METAL) -> Any:
    """`value` (dataclasses, mappings, sequences) as plain data for JSON.

    `by_metal` names mappings that hold micrograms without saying so.
    """
    if value is None or isinstance(value, str | bool | int):
        return value.value if isinstance(value, Enum) else value
    if isinstance(value, float):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, Decimal):
        return f"{value:f}"
    if isinstance(value, dt.datetime):
        return _MOMENT.to_representation(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, Model):
        return _key_of(value)
    if is_dataclass(value):
        kind: Any = type(value)
        return {
            shown_as(name): _shown(name, getattr(value, name), by_metal) for name in names_of(kind)
        }
    if isinstance(value, Mapping):
        return {str(show(key)): show(each, by_metal) for key, each in value.items()}
    if isinstance(value, Collection):
        return [show(each, by_metal) for each in value]
    if isinstance(value, Enum):
        return value.value
    raise TypeError(f"{type(value).__name__} has no plain form")


def schema_of(kind: Any, by_metal: Collection[str] = BY_METAL) -> dict[str, Any]:
    """The OpenAPI schema of what `show` makes of a value of type `kind`."""
    if isinstance(kind, Shown):
        return kind.schema(by_metal)
    if isinstance(kind, list):
        return {"type": "array", "items": kind[0].schema(by_metal)}
    if kind in _PLAIN:
        return dict(_PLAIN[kind])
    origin, arguments = get_origin(kind), get_args(kind)
    if origin in {Union, types.UnionType}:
        known = [each for each in arguments if each is not type(None)]
        one = (
            schema_of(known[0], by_metal)
            if len(known) == 1
            else {"oneOf": [schema_of(each, by_metal) for each in known]}
        )
        return {**one, "nullable": True} if len(known) < len(arguments) else one
    if origin is Literal:
        return {"type": "string", "enum": list(arguments)}
    if inspect.isclass(origin) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": schema_of(arguments[1], by_metal)}
    if inspect.isclass(origin) and issubclass(origin, Collection):
        return {"type": "array", "items": schema_of(arguments[0], by_metal)}
    if inspect.isclass(kind) and issubclass(kind, Enum):
        return {"type": "string", "enum": [each.value for each in kind]}
    if inspect.isclass(kind) and issubclass(kind, Model):
        return {"type": "string"}
    if is_dataclass(kind):
        return _object_schema(kind, by_metal)
    return {}


def _object_schema(kind: Any, by_metal: Collection[str]) -> dict[str, Any]:
    hints = get_type_hints(kind)
    properties = {}
    for name in names_of(kind):
        hint = hints.get(name) or get_type_hints(getattr(kind, name).fget).get("return")
        properties[shown_as(name)] = _field_schema(name, hint, by_metal)
    schema = {"type": "object", "properties": properties, "required": list(properties)}
    text = inspect.getdoc(kind) or ""
    return schema if text.startswith(f"{kind.__name__}(") else {**schema, "description": text}


def _field_schema(name: str, hint: Any, by_metal: Collection[str]) -> dict[str, Any]:
    is_metals = name in by_metal and get_args(hint)[-1:] == (int,)
    holds = MASS if name.endswith("_ug") or is_metals else VOLUME
    if holds is VOLUME and not name.endswith("_ul"):
        return schema_of(hint, by_metal)
    origin = get_origin(hint)
    if inspect.isclass(origin) and issubclass(origin, Mapping):
        return {"type": "object", "additionalProperties": holds}
    if is_metals:
        return schema_of(hint, by_metal)
    if inspect.isclass(origin) and issubclass(origin, Collection):
        return {"type": "array", "items": holds}
    return {**holds, "nullable": True} if type(None) in get_args(hint) else dict(holds)


def _shown(name: str, value: Any, by_metal: Collection[str]) -> Any:
    if name.endswith("_ug"):
        return _quantity(value, show_mass)
    if name.endswith("_ul"):
        return _quantity(value, show_volume)
    is_metals = name in by_metal and isinstance(value, Mapping)
    if is_metals and all(isinstance(each, int) for each in value.values()):
        return _quantity(value, show_mass)
    return show(value, by_metal)


def _quantity(value: Any, shown: Any) -> Any:
    if value is None:
        return None
    if isinstance(value, Mapping):
        return {str(show(key)): shown(each) for key, each in value.items()}
    if isinstance(value, Collection):
        return [shown(each) for each in value]
    return shown(value)


def shown_as(name: str) -> str:
    """The key in JSON of a field of that name."""
    return name.removesuffix("_ug").removesuffix("_ul")


@cache
def names_of(kind: type) -> tuple[str, ...]:
    """A dataclass's fields, then its public properties."""
    return tuple(_names_of(kind))


def _names_of(kind: Any) -> Iterator[str]:
    for each in fields(kind):
        yield each.name
    for name, member in vars(kind).items():
        if isinstance(member, property) and not name.startswith("_"):
            yield name


def _key_of(row: Model) -> Any:
    if isinstance(row, Movement):
        return row.sequence
    code = getattr(row, "code", None)
    return str(row) if code is None else code
