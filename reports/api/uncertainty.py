"""How sure each figure of a report is, on demand: expanded uncertainties with coverage factors."""

from __future__ import annotations

from typing import Any, Final

from django.shortcuts import get_object_or_404
from rest_framework import serializers

from lots.api.questions import AT_A_MOMENT, RECORDED_AS_OF, QuestionView, moment_of
from lots.models import Lot
from reports.queries.month.figure_uncertainty import (
    PROBABILITY,
    InventoryUncertainty,
    StatementUncertainty,
    UncertainFigure,
    inventory_uncertainty,
    lot_uncertainty,
    statement_uncertainty,
)
from reports.queries.month.periods import Period, parse_month

_PROBABILITY: Final = {
    "probability": serializers.FloatField(
        required=False,
        default=PROBABILITY,
        min_value=0.5,
        max_value=0.9999,
        help_text="That the true value lies within the interval.",
    )
}


class InventorySureness(QuestionView):
    """The uncertainty of every row of the inventory, by the error sources its metal rests on."""

    asks = {**AT_A_MOMENT, **_PROBABILITY}
    shows = {"rows": tuple[InventoryUncertainty, ...]}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        return {"rows": inventory_uncertainty(moment_of(asked), asked["probability"])}


class MonthSureness(QuestionView):
    """The uncertainty of every line of a month's statement."""

    asks = {**_PROBABILITY, "recorded_as_of": RECORDED_AS_OF}
    shows = {"month": Period, "lines": tuple[StatementUncertainty, ...]}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        period = parse_month(path["month"])
        recorded = asked.get("recorded_as_of")
        lines = statement_uncertainty(period, asked["probability"], recorded)
        return {"month": period, "lines": lines}


class LotSureness(QuestionView):
    """The uncertainty of what a lot holds, by metal."""

    asks = {**AT_A_MOMENT, **_PROBABILITY}
    shows = {"lot": str, "metals": dict[str, UncertainFigure]}

    def answer(self, asked: dict[str, Any], **path: Any) -> Any:
        lot = get_object_or_404(Lot, code=path["code"])
        found = lot_uncertainty([lot], moment_of(asked), asked["probability"])
        return {"lot": lot.code, "metals": found[lot.pk]}
