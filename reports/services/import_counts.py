"""Imports counts: what was found of the lots of count sheets, of one sheet or of several."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from config.refusals import RefusalError, refuse
from lots.codes import parse_code
from lots.ledger.recording import Act
from lots.measurements.outputs import Volume
from lots.sheets.columns import Column, Kind
from lots.sheets.parts import NOTE, WEIGHT, WHEN, weight_of
from lots.sheets.subjects import (
    Finder,
    Row,
    Subject,
    finder_for,
    register,
    unknown_name,
)
from reports.models import CountLine, CountSheet
from reports.services.count_import import way_of_counting
from reports.services.counts import Found, enter_count

_METHOD = CountLine.Method


@finder_for("count sheet")
def _sheets() -> Finder:
    def find(text: str, column: str) -> CountSheet:
        code = str(parse_code(text, field=column))
        sheet = CountSheet.objects.select_related("month_end__books_month").filter(code=code)
        found = sheet.first()
        if found is None:
            raise unknown_name("count sheet", code, column, "Compare it with the form sent out.")
        return found

    return find


def _record(row: Row, act: Act) -> CountLine | None:
    """A row without a figure is a lot not counted yet, and is passed over."""
    has_weight, has_volume = row.get("gross") is not None, row.get("volume_ml") is not None
    how = way_of_counting(row.get("how", ""), has_weight, has_volume)
    if how is None:
        return None
    return enter_count(
        sheet=row.get("sheet"), lot=row.get("lot"), found=_found(how, row), act=row.act(act)
    )


def _found(how: str, row: Row) -> Found:
    if how == _METHOD.WEIGHED:
        if row.get("balance") is None:
            raise _needed("balance", "Write the code on the balance.")
        return Found(weight=weight_of(row))
    if how == _METHOD.VOLUME:
        if row.get("volume_spread_ml") is None:
            raise _needed(
                "volume_spread_ml", "Write the standard uncertainty of the vessel's marks."
            )
        return Found(volume=Volume(row.get("volume_ml"), row.get("volume_spread_ml")))
    return Found(sighted=how == _METHOD.SIGHTED, missing=how == _METHOD.MISSING)


def _needed(column: str, remedy: str) -> RefusalError:
    return refuse("cell_needed:import_counts", field=column, it=remedy)


COUNTS: Final = register(
    Subject(
        name="counts",
        title="Counts",
        about="What was found of the lots of count sheets. The forms sent out come back here too, "
        "several in one sheet if need be; a row left blank is a lot not counted yet.",
        columns=(
            Column(
                "sheet",
                "Sheet",
                Kind.NAME,
                "The code of the count sheet; for one form, give it once for every row.",
                "CN26-0001-2",
                required=True,
                names="count sheet",
                also_called=("count sheet", "form"),
            ),
            Column(
                "lot",
                "Lot",
                Kind.NAME,
                "The code on the lot's label.",
                "GR26-0001-C",
                required=True,
                names="lot",
                also_called=("lot code", "code", "label"),
            ),
            Column(
                "how",
                "How",
                Kind.CHOICE,
                "Weighed, volume, sighted or missing; told by the figures when left empty.",
                "weighed",
                choices=tuple((value, value) for value in _METHOD.values if value),
                also_called=("method", "counted by"),
            ),
            *(replace(column, required=False) for column in WEIGHT),
            Column(
                "volume_ml",
                "Volume",
                Kind.VOLUME,
                "The volume as read.",
                also_called=("measured volume",),
            ),
            Column(
                "volume_spread_ml",
                "Volume's uncertainty",
                Kind.VOLUME,
                "The standard uncertainty of the volume, from the vessel's marks.",
                also_called=("volume uncertainty", "volume ± u", "uncertainty"),
            ),
            WHEN,
            NOTE,
        ),
        record=_record,
        once=("sheet", "lot"),
        asked_as={
            "volume": "volume_ml",
            "found": "how",
            "volume.standard_uncertainty": "volume_spread_ml",
        },
    )
)
