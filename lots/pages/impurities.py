"""A laboratory's analysis of fine metal for impurities, and the grade of silver it reaches."""

from __future__ import annotations

from typing import Any, Final

from django.db.models import Model
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse

from lots.declaration.as_page import EventPage
from lots.fineness import parse_fineness
from lots.grades import ANALYSED, ASTM_B413, ELEMENT_NAMES, SILVER
from lots.ledger.recording import Act
from lots.measurements.grade import grade_sheet
from lots.pages.bench_form import ActForm, choice_field
from lots.pages.form_fields import KeyedInput, RefusingField
from lots.people.access import lot_for, staff_page

UNITS: Final = (("ppt", "‰ (grams per kilogram)"), ("ppm", "mg/kg (parts per million)"))


class ByElementInput(KeyedInput):
    """One input an element that a grade looks at."""

    template_name = "lots/widgets/by_element.html"
    names = {each: ELEMENT_NAMES[each] for each in ANALYSED}


class ByElementField(RefusingField):
    """What was found by element, as written; the form's unit says what of."""

    widget = ByElementInput

    def read(self, value: dict[str, tuple[str, str]]) -> dict[str, str]:
        return {element: text for element, (text, _) in value.items()}


class ImpuritiesPage(EventPage):
    """What was found is entered in the certificate's unit, silver always in ‰."""

    def make_form(self, **kwargs: Any) -> ActForm:
        form = super().make_form(**kwargs)
        form.fields["unit"] = choice_field(
            UNITS,
            label="Impurities are given in",
            initial="ppt",
            help_text="Silver is always in ‰.",
        )
        form.fields["contents"] = ByElementField(
            label="What was found",
            help_text="Leave empty what was not looked for: the grade is only as good as that. "
            "An element looked for and not found is 0.",
        )
        form.order_fields(["laboratory", "certificate", "unit", "contents"])
        return form

    def perform(self, act: Act, form: Any) -> Model:
        unit = form.cleaned_data["unit"]
        contents = {
            element: parse_fineness(
                text, "ppt" if element == SILVER else unit, field=f"contents.{element}"
            )
            for element, text in form.cleaned_data["contents"].items()
        }
        answers = {**form.answers(), "contents": contents}
        return self.event.service(**self.event.arguments(answers, self.subject), act=act)

    def after(self, recorded: Any) -> str:
        return f"{reverse('grade', args=[self.subject.code])}?analysis={recorded.pk}"


@staff_page
def grade_page(request: HttpRequest, code: str) -> HttpResponse:
    """One analysis of a lot beside the limits of every grade; the latest unless told."""
    lot = lot_for(request, code)
    analyses = lot.impurity_analyses.select_related("laboratory", "recorded_by")
    wanted = request.GET.get("analysis", "")
    analysis = analyses.first()
    if wanted:
        is_number = wanted.isascii() and wanted.isdecimal() and len(wanted) < 19
        analysis = get_object_or_404(analyses, pk=int(wanted) if is_number else 0)
    return render(
        request,
        "lots/grade.html",
        {
            "section": "lots",
            "lot": lot,
            "analysis": analysis,
            "analyses": analyses,
            "sheet": grade_sheet(analysis) if analysis else None,
            "grades": ASTM_B413,
            "names": ELEMENT_NAMES,
        },
    )
