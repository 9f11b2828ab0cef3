"""Labels of lots, on a sheet or one by one: shown, and given as PDF and SVG."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, ClassVar, Final

from django import forms
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import SafeString, mark_safe

from config.pages import message_of, put_refusal, to_save
from config.refusals import RefusalError
from lots.exports.label_sheet import Label, label_pdf, label_svgs
from lots.label_layout import LAYOUTS, PAPER_MM_MAX, LabelLayout, checked_layout
from lots.models import Lot
from lots.pages.form_fields import FigureField, lot_by_code
from lots.people.access import lot_for, staff_page

LABELS_MAX: Final = 200
OWN: Final = "own"
SINGLE: Final = "roll-62"


def label_of(request: HttpRequest, lot: Lot) -> Label:
    address = request.build_absolute_uri(reverse("scanned", args=[lot.code]))
    since = f"{timezone.localtime(lot.registered_at):%d %b %Y}"
    lines = (str(lot.get_form_display()), str(lot.owner), lot.description, since)
    return Label(lot.code, address, tuple(line for line in lines if line))


def _millimetres(label: str, **kwargs: Any) -> FigureField:
    return FigureField(
        label=f"{label}, mm", required=False, maximum=Decimal(str(PAPER_MM_MAX)), **kwargs
    )


def _number(label: str, most: int) -> forms.IntegerField:
    numbers = forms.NumberInput({"inputmode": "numeric"})
    return forms.IntegerField(
        label=label, min_value=1, max_value=most, required=False, widget=numbers
    )


class SheetForm(forms.Form):
    codes = forms.CharField(
        label="Lots to print labels for",
        widget=forms.Textarea({"rows": 4, "spellcheck": "false"}),
        help_text=f"Codes with spaces or lines between, {LABELS_MAX} at most.",
        max_length=4000,
    )
    layout = forms.ChoiceField(
        choices=[*((key, name) for key, (name, _) in LAYOUTS.items()), (OWN, "A layout of my own")],
        required=False,
    )
    start = _number("First free label of the sheet", 1000)
    page_width = _millimetres("Paper, width")
    page_height = _millimetres("Paper, height")
    rows = _number("Rows", 40)
    columns = _number("Columns", 20)
    margin_across = _millimetres("Margin left and right")
    margin_down = _millimetres("Margin top and bottom")
    gap_across = _millimetres("Gap between columns")
    gap_down = _millimetres("Gap between rows")
    own_fields: ClassVar[tuple[str, ...]] = (
        "page_width",
        "page_height",
        "rows",
        "columns",
        "margin_across",
        "margin_down",
        "gap_across",
        "gap_down",
    )

    def clean_codes(self) -> list[Lot]:
        codes = self.cleaned_data["codes"].replace(",", " ").split()
        if len(codes) > LABELS_MAX:
            raise forms.ValidationError(f"These are {len(codes)} codes; {LABELS_MAX} at most.")
        try:
            return [lot_by_code(code) for code in codes]
        except RefusalError as refusal:
            raise forms.ValidationError(message_of(refusal), code=refusal.code) from refusal

    def chosen_layout(self) -> LabelLayout:
        """Raises InvalidError as `checked_layout`."""
        data = self.cleaned_data
        if data["layout"] != OWN:
            return LAYOUTS[data["layout"] or "a4-24"][1]
        return checked_layout(
            LabelLayout(
                float(data["page_width"] or 210),
                float(data["page_height"] or 297),
                data["rows"] or 1,
                data["columns"] or 1,
                *(float(data[name] or 0) for name in self.own_fields[4:]),
            )
        )

    def own_layout(self) -> list[forms.BoundField]:
        return [self[name] for name in self.own_fields]

    def asked_first(self) -> list[forms.BoundField]:
        return [self[name] for name in ("codes", "layout", "start")]


@staff_page
def single_label(request: HttpRequest, code: str) -> HttpResponse:
    lot = lot_for(request, code)
    layout = LAYOUTS[SINGLE][1]
    label = label_of(request, lot)
    answer = _as_file(request, [label], layout, 1, lot.code)
    return answer or render(
        request,
        "lots/labels.html",
        {"title": f"Label of {lot.code}", "lot": lot, "sheets": _shown([label], layout, 1)},
    )


@staff_page
def label_sheet(request: HttpRequest) -> HttpResponse:
    """Lots typed as codes, or ticked on the list of lots, laid out on sheets."""
    form = SheetForm(_asked(request.GET)) if {"codes", "lot"} & request.GET.keys() else SheetForm()
    sheets: list[SafeString] = []
    if form.is_bound and form.is_valid():
        labels = [label_of(request, lot) for lot in form.cleaned_data["codes"]]
        start = form.cleaned_data["start"] or 1
        try:
            layout = form.chosen_layout()
            answer = _as_file(request, labels, layout, start, "labels")
            if answer is not None:
                return answer
            sheets = _shown(labels, layout, start)
        except RefusalError as refusal:
            put_refusal(form, refusal)
    return render(
        request,
        "lots/labels.html",
        {"form": form, "sheets": sheets, "title": "A sheet of labels", "own": OWN},
        status=400 if form.is_bound and form.errors else 200,
    )


def _asked(query: QueryDict) -> QueryDict:
    """The address as the form reads it: lots that were ticked are codes like others."""
    asked = query.copy()
    asked["codes"] = " ".join([query.get("codes", ""), *query.getlist("lot")]).strip()
    return asked


def _shown(labels: list[Label], layout: LabelLayout, start: int) -> list[SafeString]:
    # `label_svgs` escapes every text it writes.
    return [mark_safe(svg) for svg in label_svgs(labels, layout, start)]  # noqa: S308


def _as_file(
    request: HttpRequest, labels: list[Label], layout: LabelLayout, start: int, name: str
) -> HttpResponse | None:
    """The file that `as` asks for: the whole as PDF, or one sheet as SVG."""
    wanted = request.GET.get("as", "")
    if wanted == "pdf":
        return to_save(label_pdf(labels, layout, start), f"{name}.pdf")
    if wanted != "svg":
        return None
    sheets = label_svgs(labels, layout, start)
    number = request.GET.get("sheet", "1")
    index = int(number) - 1 if number.isascii() and number.isdigit() else 0
    return to_save(sheets[min(max(index, 0), len(sheets) - 1)], f"{name}.svg")
