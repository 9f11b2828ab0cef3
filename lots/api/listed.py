"""A list of the API declared once: its rows, what is shown of each, what narrows and orders it.

Names stand in one text, separated by blanks.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from inspect import isroutine
from typing import Any, Final

import django_filters as filters
from django.db import models
from rest_framework import serializers
from rest_framework.permissions import BasePermission
from rest_framework.viewsets import ReadOnlyModelViewSet

from lots.api.fields import ShownMass, shown_code
from lots.declaration.as_api import ANSWERS
from lots.declaration.event import code_of, issubclass_of

CODE: Final = "[A-Za-z0-9-]{1,20}"
NUMBER: Final = "[0-9]{1,18}"


def shows(
    name: str, model: type[models.Model], names: str, about: str = "", /, **special: Any
) -> type[serializers.ModelSerializer[Any]]:
    """The serializer `name` of a model's rows: as they are, rows by code and masses in their units.

    `special` gives a field of its own, where its text is found, such as "lot.place.code", or a
    function of the row. Events that record such a row answer with the first.
    """
    fields = {each: _shown(model, each, special.get(each)) for each in names.split()}
    asked = {f"get_{name}": staticmethod(of) for name, of in special.items() if isroutine(of)}
    meta = {"model": model, "fields": list(fields), "read_only_fields": list(fields)}
    own = {each: field for each, field in fields.items() if field is not None}
    members = {**own, **asked, "Meta": type("Meta", (), meta), "__doc__": about}
    made = type(f"{name}Serializer", (serializers.ModelSerializer,), members)
    ANSWERS.setdefault(model, made)
    made.related = sorted(set(_related(model, own)))  # type: ignore[attr-defined]
    return made


def _related(model: type[models.Model], shown: Mapping[str, Any]) -> Iterator[str]:
    """The rows that a serializer's fields are read from, beside the model's own."""
    for name, field in shown.items():
        path = (getattr(field, "source", None) or name).split(".")
        rows = path if isinstance(field, serializers.SlugRelatedField) else path[:-1]
        one, of = [], model
        for each in rows:
            column = next((c for c in of._meta.get_fields() if c.name == each), None)
            if column is None or not (column.many_to_one or column.one_to_one):
                break
            one.append(each)
            of = column.related_model  # type: ignore[assignment]
        if one:
            yield "__".join(one)


def _shown(model: type[models.Model], name: str, special: Any) -> Any:
    """The field of a name; None for the framework's own."""
    if isroutine(special):
        return serializers.SerializerMethodField()
    if special is not None:
        found = isinstance(special, str)
        return serializers.CharField(source=special, read_only=True) if found else special
    columns = {each.name: each for each in model._meta.fields}
    for column in (f"{name}_ug", name.replace("_standard_uncertainty", "_u") + "_ug"):
        if column in columns:
            return ShownMass(source=column)
    related = columns[name].related_model if name in columns else None
    if not issubclass_of(related, models.Model):
        return None
    known = {each.name for each in related._meta.fields}  # type: ignore[union-attr]
    if "username" in known:
        return serializers.CharField(source=f"{name}.username", read_only=True)
    if "sequence" in known:
        return shown_code("sequence")
    by = code_of(related)  # type: ignore[arg-type]
    if by == "lot__code":
        return serializers.CharField(source=f"{name}.lot.code", read_only=True)
    return shown_code() if by == "code" else None


@dataclass(frozen=True)
class Span:
    """Narrows a list by `<name>_after` and `<name>_before`, the latter exclusive."""

    column: str


def _filters(name: str, by: Any) -> dict[str, filters.Filter]:
    if isinstance(by, Span):
        after = filters.IsoDateTimeFilter(field_name=by.column, lookup_expr="gte")
        before = filters.IsoDateTimeFilter(field_name=by.column, lookup_expr="lt")
        return {f"{name}_after": after, f"{name}_before": before}
    if isinstance(by, str):
        return {name: filters.CharFilter(field_name=by)}
    if by is bool:
        return {name: filters.BooleanFilter()}
    if issubclass_of(by, models.Choices):
        return {name: filters.MultipleChoiceFilter(choices=by.choices)}
    if issubclass_of(by, models.Model):
        rows = by._default_manager.all()
        return {name: filters.ModelChoiceFilter(queryset=rows, to_field_name="code")}
    return {name: by}


def narrowed(model: type[models.Model], **by: Any) -> type[filters.FilterSet]:
    """What a list can be narrowed by: a path, `bool`, choices, a Span, a row's code or a filter."""
    members: dict[str, Any] = {"Meta": type("Meta", (), {"model": model, "fields": []})}
    for name, each in by.items():
        members |= _filters(name, each)
    return type(f"{model.__name__}Filter", (filters.FilterSet,), members)


def listed(
    shown: type[serializers.ModelSerializer[Any]],
    by: Mapping[str, Any] | type[filters.FilterSet],
    *,
    search: str,
    orders: str,
    order: str,
    related: str = "",
    prefetched: str | tuple[models.Prefetch[str, Any, str], ...] = "",
    coded: bool = False,
    permission: type[BasePermission] | None = None,
    about: str = "",
    **members: Any,
) -> type[Any]:
    """The list, and each row of it by its number or, when `coded`, by its code.

    `related` names rows that are read besides those that what is shown names itself.
    """
    model: Any = shown.Meta.model
    rows = model._default_manager.select_related(*related.split(), *shown.related)  # type: ignore[attr-defined]
    along = prefetched.split() if isinstance(prefetched, str) else prefetched
    own = {
        "queryset": rows.prefetch_related(*along),
        "serializer_class": shown,
        "filterset_class": narrowed(model, **by) if isinstance(by, Mapping) else by,
        "lookup_field": code_of(model) if coded else "pk",
        "lookup_url_kwarg": "code" if coded else None,
        "lookup_value_regex": CODE if coded else NUMBER,
        "search_fields": search.split(),
        "ordering_fields": orders.split(),
        "ordering": order.split(),
        "__doc__": about,
        **({"permission_classes": [permission]} if permission else {}),
    }
    return type(f"{model.__name__}List", (ReadOnlyModelViewSet,), {**own, **members})
