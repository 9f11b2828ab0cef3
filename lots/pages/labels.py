"""Labels: a QR code that opens the lot, the readable code, and what the lot is."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Final

import segno
from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils.safestring import SafeString, mark_safe

from config.pages import message_of
from config.refusals import RefusalError
from lots.models import Lot
from lots.pages.access import lot_for, staff_page
from lots.pages.form_fields import lot_by_code

ON_A_SHEET_MAX: Final = 60


@dataclass(frozen=True)
class Label:
    """What one label bears."""

    lot: Lot
    qr: SafeString


def qr_svg(text: str) -> SafeString:
    """An inline SVG of the QR code, error correction M, four modules of quiet zone."""
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(
        out,
        kind="svg",
        xmldecl=False,
        svgns=True,
        omitsize=True,
        border=4,
        svgclass=None,
        lineclass=None,
        title="QR code that opens this lot",
    )
    # The writer draws modules only; nothing of `text` is in its markup.
    return mark_safe(out.getvalue().decode())  # noqa: S308


def label_of(request: HttpRequest, lot: Lot) -> Label:
    return Label(lot, qr_svg(request.build_absolute_uri(reverse("scanned", args=[lot.code]))))


@staff_page
def single_label(request: HttpRequest, code: str) -> HttpResponse:
    lot = lot_for(request, code)
    return render(
        request,
        "lots/labels.html",
        {"labels": [label_of(request, lot)], "title": f"Label of {lot.code}", "lot": lot},
    )


class SheetForm(forms.Form):
    codes = forms.CharField(
        label="Lots to print labels for",
        widget=forms.Textarea({"rows": 4, "spellcheck": "false"}),
        help_text=f"Codes with spaces or lines between, {ON_A_SHEET_MAX} at most.",
        max_length=2000,
    )

    def clean_codes(self) -> list[Lot]:
        codes = self.cleaned_data["codes"].replace(",", " ").split()
        if len(codes) > ON_A_SHEET_MAX:
            raise forms.ValidationError(f"These are {len(codes)} codes; {ON_A_SHEET_MAX} at most.")
        try:
            return [lot_by_code(code) for code in codes]
        except RefusalError as refusal:
            raise forms.ValidationError(message_of(refusal), code=refusal.code) from refusal


@staff_page
def label_sheet(request: HttpRequest) -> HttpResponse:
    form = SheetForm(request.GET if "codes" in request.GET else None)
    lots = form.cleaned_data["codes"] if form.is_valid() else []
    return render(
        request,
        "lots/labels.html",
        {
            "form": form,
            "labels": [label_of(request, lot) for lot in lots],
            "title": "A sheet of labels",
        },
    )
