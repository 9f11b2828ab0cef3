"""Which counters tell of more than there is, as they do where the last rows were taken out."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final

from django.apps import apps
from django.db import connection, models

from lots.ledger.guards import guarded_tables
from lots.ledger.raw_sql import fetch
from lots.models import EventDelivery, EventSubscription, LotNumber, Movement, TraceCheckpoint

Row = dict[str, object]

_CODE: Final = re.compile(r"([A-Z]{2}[0-9]{2})-([0-9]{4,6})-.")
_TELLS_OF: Final[tuple[tuple[type[models.Model], str], ...]] = (
    (TraceCheckpoint, "last_sequence"),
    (EventSubscription, "after"),
    (EventDelivery, "sequence"),
)


def counters_apart() -> Iterator[Row]:
    """Each number given out that nothing bears, each movement told of that is not there.

    And on SQLite, where a transaction taken back gives its keys back, each table whose last key is
    not the last one given out.
    """
    yield from _codes_without_bearer()
    yield from _beyond_the_last_movement()
    if connection.vendor == "sqlite":
        yield from _keys_given_and_gone()


def _codes_without_bearer() -> Iterator[Row]:
    """Codes are numbered without a gap, whatever bears them; lots may bring one of their own."""
    borne = {
        f"{row.prefix}{row.year % 100:02d}": bytearray(row.last_number)
        for row in LotNumber.objects.order_by("prefix", "year")
    }
    for model in apps.get_models():
        if not any(field.name == "code" for field in model._meta.local_concrete_fields):
            continue
        for code in model._base_manager.values_list("code", flat=True).iterator(5000):
            found = _CODE.fullmatch(code)
            if found and int(found[2]) <= len(borne.get(found[1], ())):
                borne[found[1]][int(found[2]) - 1] = True
    for counter, numbers in borne.items():
        for index, is_borne in enumerate(numbers):
            if not is_borne:
                yield {"counter": f"codes {counter}", "number": index + 1, "found": "borne by none"}


def _beyond_the_last_movement() -> Iterator[Row]:
    last = Movement.objects.aggregate(last=models.Max("sequence"))["last"] or 0
    for model, column in _TELLS_OF:
        rows = model._base_manager.filter(**{f"{column}__gt": last}).order_by("pk")
        for pk, number in rows.values_list("pk", column).iterator(2000):
            yield {
                "counter": model._meta.db_table,
                "id": pk,
                "number": number,
                "found": f"the last movement is {last}",
            }


def _keys_given_and_gone() -> Iterator[Row]:
    given = dict(fetch("SELECT name, seq FROM sqlite_sequence"))
    guarded = set(guarded_tables())
    for model in apps.get_models():
        table = model._meta.db_table
        if table not in guarded or not isinstance(model._meta.pk, models.AutoField):
            continue
        last = model._base_manager.aggregate(last=models.Max("pk"))["last"] or 0
        if given.get(table, 0) != last:
            yield {
                "counter": f"keys of {table}",
                "number": given.get(table, 0),
                "found": f"the last row is {last}",
            }
