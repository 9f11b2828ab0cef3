"""Models whose rows a seal covers. What is written through them is noted for the service."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, ClassVar, TypeVar

from django.db import models


class Written:
    """What was written through sealed models: how many writes, and the keys, by table."""

    def __init__(self) -> None:
        self.writes: Counter[str] = Counter()
        self.keys: defaultdict[str, set[int]] = defaultdict(set)

    def note(self, model: type[models.Model], names: Iterable[str] | None, keys: Any) -> None:
        """Notes rows, by key, of which these fields were written (None: every field)."""
        for table in _tables(model, names):
            self.writes[table] += len(keys)
            self.keys[table].update(keys)


_noted: ContextVar[Written | None] = ContextVar("_noted", default=None)


@contextmanager
def noting() -> Iterator[Written]:
    """Notes what the block writes through sealed models."""
    written = Written()
    token = _noted.set(written)
    try:
        yield written
    finally:
        _noted.reset(token)


def is_noting() -> bool:
    """Whether somebody up the stack notes already."""
    return _noted.get() is not None


Row = TypeVar("Row", bound=models.Model)


class _SealedRows(models.QuerySet[Row, Row]):
    def update(self, **changes: Any) -> int:
        written = _noted.get()
        if written is not None and _tables(self.model, changes):
            written.note(self.model, changes, list(self.values_list("pk", flat=True)))
        return super().update(**changes)

    def bulk_create(self, *args: Any, **options: Any) -> list[Row]:
        rows = super().bulk_create(*args, **options)
        written = _noted.get()
        if written is not None:
            written.note(self.model, None, [row.pk for row in rows])
        return rows


class Sealed(models.Model):
    """A row that is sealed with the request that writes it.

    Write it by `save`, `create`, `bulk_create` or `update`. Any other way is not noted, and the
    service that takes it is aborted.
    """

    # The columns that are sealed; none named: all of them.
    sealed_columns: ClassVar[Collection[str]] = ()
    # Whether rows are added without the ledger's lock, so that they wait for `seal_ledger`.
    is_sealed_late: ClassVar[bool] = False

    objects = _SealedRows.as_manager()

    class Meta:
        abstract = True

    def save(self, *args: Any, **options: Any) -> None:
        super().save(*args, **options)
        written = _noted.get()
        if written is not None:
            written.note(type(self), options.get("update_fields"), [self.pk])


def _tables(model: type[models.Model], names: Iterable[str] | None) -> set[str]:
    """The tables in which these fields are sealed: the model's own, and those of its parents."""
    if names is None:
        return {each._meta.db_table for each in (model, *model._meta.all_parents) if _seals(each)}
    wanted = set(names)
    return {
        field.model._meta.db_table
        for field in model._meta.concrete_fields
        if {field.name, field.attname} & wanted and _seals(field.model, field.column)
    }


def _seals(model: type[models.Model], column: str | None = None) -> bool:
    if not issubclass(model, Sealed) or model._meta.abstract or model.is_sealed_late:
        return False
    return not column or not model.sealed_columns or column in model.sealed_columns
