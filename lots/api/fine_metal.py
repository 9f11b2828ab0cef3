"""Which grade a lot of fine silver reaches, and what delivery notes are narrowed by."""

from __future__ import annotations

from typing import Any

import django_filters as filters
from django.shortcuts import get_object_or_404
from rest_framework import serializers

from config.refusals import refuse
from lots.api.listed import Span, narrowed
from lots.api.questions import QuestionView
from lots.measurements.grade import LotGrade, grade_of, latest_analysis
from lots.models import DeliveryNote, Lot

DeliveryFilter = narrowed(
    DeliveryNote,
    kind=DeliveryNote.Kind,
    party="party__code",
    lot=filters.CharFilter(field_name="lines__lot__code", distinct=True),
    delivered=Span("delivered_at"),
)


class GradeLot(QuestionView):
    """Which grade of refined silver the lot's latest impurity analysis reaches, and why no better.

    What the analysis left out is named: the grade is only as good as that.
    """

    asks = {
        "analysis": serializers.IntegerField(
            required=False, min_value=1, max_value=2**62, help_text="The latest if left out."
        )
    }
    shows = LotGrade

    def answer(self, asked: dict[str, Any], **path: Any) -> LotGrade:
        lot = get_object_or_404(Lot, code=path["code"])
        analysis = latest_analysis(lot)
        if "analysis" in asked:
            analysis = get_object_or_404(lot.impurity_analyses, pk=asked["analysis"])
        if analysis is None:
            raise refuse("not_analysed", field="lot", value=path["code"])
        return grade_of(analysis)
