"""An event as a sheet that is imported: a question's column, with its limits and its words."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any, Final

from django.db.models import Model

from lots.declaration.event import MASS, VOLUME, Event, Question
from lots.sheets.columns import Column, Kind

KINDS: Final[dict[Any, Kind]] = {
    MASS: Kind.MASS,
    VOLUME: Kind.VOLUME,
    "choice": Kind.CHOICE,
    Model: Kind.NAME,
    str: Kind.TEXT,
    bool: Kind.YES_NO,
    Decimal: Kind.FIGURE,
    dt.datetime: Kind.MOMENT,
}


def question_at(event: Event, path: str) -> Question:
    """The question of that name, or with a dot the part of a dataclass, as in weight.gross."""
    found = event.questions
    for name in path.split("."):
        question = next(each for each in found if each.name == name)
        found = question.parts
    return question


def column(event: Event, path: str, meaning: str = "", *also_called: str, **words: Any) -> Column:
    """A question as a column; what is given besides are the sheet's own words.

    Kind, limits, choices and whether it is needed are the question's own.
    """
    question = question_at(event, path)
    asks, kind = question.asks, KINDS[question.kind]
    own: dict[str, Any] = {
        "name": question.name,
        "header": question.label,
        "meaning": meaning or asks.help or f"{question.label}.",
        "also_called": also_called,
        "required": question.needed,
        "may_be_zero": not asks.positive,
    }
    if kind == Kind.NAME:
        own["names"] = question.type._meta.verbose_name
    if kind == Kind.CHOICE:
        offered = asks.offered or asks.choices
        own["choices"] = tuple(getattr(offered, "choices", offered))
    if kind == Kind.TEXT:
        own["length_max"] = asks.at_most
    if kind == Kind.FIGURE:
        own["decimals_max"] = asks.decimals
    return Column(kind=kind, **{**own, **words})
