"""What on the books matches a few words: lots, parties, movements by their notes, records.

An app names the records of its own that are found, in its AppConfig:
`searched = "reports.queries.searched.SEARCHED"`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

from django.apps import apps
from django.db.models import Model, Q
from django.utils.module_loading import import_string

from config.refusals import InvalidError
from lots.codes import parse_code
from lots.models import Lot, Movement, Party

FOUND_MAX: Final = 40
WORDS_MAX: Final = 80


@dataclass(frozen=True)
class Searched:
    """Records of one kind that the search finds by these columns, with the page that shows one.

    `address_by` is the column by which the page is asked for; a `code` typed whole opens it.
    """

    heading: str
    model: str
    url_name: str
    columns: tuple[str, ...]
    about: str
    address_by: str = "code"


@dataclass(frozen=True)
class FoundRecord:
    """One record: the page that shows it, its name, and whom or what it is about."""

    url_name: str
    key: Any
    name: str
    about: str


@dataclass(frozen=True)
class Found:
    """At most `FOUND_MAX` of each, newest first; `exact` is the lot whose code was typed.

    `exact_record` is the other record whose code was typed; `records` are by heading.
    """

    exact: Lot | None
    lots: list[Lot]
    parties: list[Party]
    movements: list[Movement]
    records: dict[str, list[FoundRecord]] = field(default_factory=dict)
    exact_record: FoundRecord | None = None

    @property
    def is_nothing(self) -> bool:
        return not (self.exact or self.lots or self.parties or self.movements or self.records)


def search(words: str) -> Found:
    """Every word must occur, in any of a row's texts. Nothing is found for no words."""
    terms = words[:WORDS_MAX].split()
    if not terms:
        return Found(None, [], [], [])
    lots = Lot.objects.select_related("owner", "place")
    code = _code_of(words)
    records = {each.heading: _records(each, terms, code) for each in _searched()}
    return Found(
        exact=lots.filter(code=code).first(),
        records={heading: found for heading, found in records.items() if found},
        exact_record=next(
            (each for found in records.values() for each in found if each.key == code), None
        ),
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


def _searched() -> list[Searched]:
    found: list[Searched] = []
    for config in apps.get_app_configs():
        path = getattr(config, "searched", None)
        if path:
            found += import_string(path)
    return found


def _records(kind: Searched, terms: list[str], code: str) -> list[FoundRecord]:
    wanted = _all(terms, *kind.columns)
    if code and kind.address_by == "code":
        wanted |= Q(code=code)
    manager: Any = apps.get_model(kind.model)._default_manager
    rows: list[Model] = list(
        manager.filter(wanted).select_related(kind.about).order_by("-id")[:FOUND_MAX]
    )
    return [
        FoundRecord(
            url_name=kind.url_name,
            key=getattr(row, kind.address_by),
            name=str(row),
            about=str(getattr(row, kind.about)),
        )
        for row in rows
    ]


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


SEARCHED: Final = (
    Searched(
        "Delivery notes",
        "lots.DeliveryNote",
        "delivery",
        ("code", "party__name", "carrier", "note"),
        about="party",
    ),
    Searched(
        "Imports",
        "lots.SheetImport",
        "import",
        ("code", "file_name", "note"),
        about="recorded_by",
    ),
)
