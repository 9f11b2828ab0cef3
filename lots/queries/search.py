"""What on the books matches a few words: lots, parties, movements by their notes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.db.models import Q

from config.refusals import InvalidError
from lots.codes import parse_code
from lots.models import Lot, Movement, Party

FOUND_MAX: Final = 40
WORDS_MAX: Final = 80


@dataclass(frozen=True)
class Found:
    """At most `FOUND_MAX` of each, newest first; `exact` is the lot whose code was typed."""

    exact: Lot | None
    lots: list[Lot]
    parties: list[Party]
    movements: list[Movement]

    @property
    def is_nothing(self) -> bool:
        return not (self.exact or self.lots or self.parties or self.movements)


def search(words: str) -> Found:
    """Every word must occur, in any of a row's texts. Nothing is found for no words."""
    terms = words[:WORDS_MAX].split()
    if not terms:
        return Found(None, [], [], [])
    lots = Lot.objects.select_related("owner", "place")
    return Found(
        exact=lots.filter(code=_code_of(words)).first(),
        lots=list(
            lots.filter(
                _all(terms, "code", "description", "owner__name", "received_from__name")
            ).order_by("-registered_at", "-id")[:FOUND_MAX]
        ),
        parties=list(Party.objects.filter(_all(terms, "code", "name", "contact"))[:FOUND_MAX]),
        movements=list(
            Movement.objects.filter(_all(terms, "note", "cause"))
            .select_related("recorded_by")
            .order_by("-sequence")[:FOUND_MAX]
        ),
    )


def _all(terms: list[str], *columns: str) -> Q:
    wanted = Q()
    for term in terms:
        anywhere = Q()
        for column in columns:
            anywhere |= Q(**{f"{column}__icontains": term})
        wanted &= anywhere
    return wanted


def _code_of(words: str) -> str:
    try:
        return str(parse_code(words))
    except InvalidError:
        return ""
