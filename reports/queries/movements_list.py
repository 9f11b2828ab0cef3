"""Every line of every movement of a span of time, oldest first, streamed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Final, get_type_hints

from django.db.models import QuerySet

from lots.models import Entry, Movement


@dataclass(frozen=True)
class MovementRow:
    """One entry with the head of its movement; mass in micrograms, positive into the lot."""

    sequence: Annotated[int, "movement__sequence"]
    occurred_at: dt.datetime
    recorded_at: dt.datetime
    recorded_by: Annotated[str, "movement__recorded_by__username"]
    kind: Annotated[str, "movement__kind", Movement.Kind]
    stage: Annotated[str, "movement__stage", Movement.Stage]
    cause: Annotated[str, "movement__cause"]
    counterparty: Annotated[str, "movement__counterparty__name"]
    reverses: Annotated[int | None, "movement__reverses__sequence"]
    lot: Annotated[str, "lot__code"]
    account: Annotated[str, "account__name"]
    owner: Annotated[str, "owner__name"]
    metal: str
    mass_ug: int
    standard_uncertainty_ug: int | None
    basis: Annotated[str, "basis", Entry.Basis]
    note: Annotated[str, "movement__note"]


def _maker(hint: Any) -> Callable[[Any], Any]:
    """What makes a field of what is found: a code's name, or no text where there is nothing."""
    choices = getattr(hint, "__metadata__", ())[1:]
    if choices:
        return lambda code: str(choices[0](code).label)
    is_text = getattr(hint, "__origin__", hint) is str
    return lambda value: "" if is_text and value is None else value


_HINTS: Final = get_type_hints(MovementRow, include_extras=True)
_PATHS: Final = [getattr(hint, "__metadata__", (name,))[0] for name, hint in _HINTS.items()]
_MAKERS: Final = [_maker(hint) for hint in _HINTS.values()]


def entries_between(
    starts_at: dt.datetime, ends_at: dt.datetime, recorded: dt.datetime | None = None
) -> QuerySet[Entry]:
    """Entries that occurred from `starts_at` up to, not including, `ends_at`."""
    entries = Entry.objects.filter(occurred_at__gte=starts_at, occurred_at__lt=ends_at)
    return entries if recorded is None else entries.filter(recorded_at__lte=recorded)


def movement_rows(
    starts_at: dt.datetime, ends_at: dt.datetime, recorded: dt.datetime | None = None
) -> Iterator[MovementRow]:
    """The lines in the order of the ledger, from one query read in chunks."""
    entries = entries_between(starts_at, ends_at, recorded).order_by("movement__sequence", "id")
    for row in entries.values_list(*_PATHS).iterator(chunk_size=2000):
        told = (make(value) for make, value in zip(_MAKERS, row, strict=True))
        yield MovementRow(*told)
