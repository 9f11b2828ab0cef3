"""Counts come back from several sheets at once, and the form sent out is understood whole."""

from __future__ import annotations

import io
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from openpyxl import load_workbook

from lots.models import SheetImport
from lots.sheets.files import read_sheet
from lots.sheets.headings import guess_layout
from lots.sheets.subjects import subject_named
from reports.exports.count_form import count_form_table
from reports.exports.workbook import write_workbook
from reports.models import CountLine, CountSheet
from reports.queries.count_sheets import blind_lines
from reports.services.counts import open_count_sheet
from reports.services.month_end import begin_month_end
from tests.imported import faults, lines, recorded, saved, sent
from tests.reports.conftest import APRIL

Make = Callable[..., Any]


@pytest.fixture
def sheet(in_june: SimpleNamespace, at: Make) -> CountSheet:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    place = in_june.works.places["fine-safe"]
    return open_count_sheet(month_end=month_end, place=place, act=at(6, 1))


def test_the_form_sent_out_is_imported_as_it_comes_back(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    file = io.BytesIO()
    write_workbook([count_form_table(sheet, blind_lines(sheet))], file)
    book = load_workbook(io.BytesIO(file.getvalue()))
    page = book.worksheets[0]
    header = {cell.value: cell.column for cell in page[6]}
    for row in page.iter_rows(min_row=7):
        if row[1].value == in_june.bar.code:
            for name, value in {"Balance": "bench", "Gross": "25.63", "Unit": "ozt"}.items():
                page.cell(row[0].row, header[name], value)
    content = saved(book)
    guessed = guess_layout(read_sheet(content), subject_named("counts").columns)
    assert set(guessed.sources) >= {
        "sheet", "lot", "how", "balance", "gross", "tare", "unit", "volume_ml", "volume_spread_ml",
        "note",
    }  # fmt: skip
    made = recorded("counts", content, at(6, 1, who=in_june.works.manager))
    line = CountLine.objects.get(sheet=sheet, lot=in_june.bar)
    assert line.counted_mass_ug == round(25.63 * 31_103_476.8)
    assert not CountLine.objects.get(sheet=sheet, lot=in_june.crystal).is_counted
    assert [(row.recorded_model, row.recorded_pk) for row in made.rows.all()] == [
        ("reports.CountLine", line.pk)
    ]


def test_counts_that_cannot_be_are_named_and_none_is_entered(
    sheet: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    bar, crystal, apart = in_june.bar.code, in_june.crystal.code, in_june.apart.code
    draft = sent(
        "counts",
        lines(
            ["Sheet", "Lot", "How", "Balance", "Gross", "Volume, ml", "Volume's uncertainty, ml"],
            [sheet.code, bar, "", "bench", "797.2", "", ""],
            [sheet.code, bar, "sighted", "", "", "", ""],
            [sheet.code, crystal, "weighed", "", "", "", ""],
            [sheet.code, crystal, "", "", "1994", "", ""],
            [sheet.code, crystal, "", "", "", "20", ""],
            [sheet.code, apart, "missing", "", "", "", ""],
            ["CN26-0009-2", crystal, "guessed", "", "", "", ""],
        ),
        at(6, 1, who=in_june.works.manager),
    )
    assert faults(draft) == [
        (3, "sheet", "row_twice"),
        (4, "how", "one_count_needed"),
        (5, "balance", "cell_needed"),
        (5, "sheet", "row_twice"),
        (6, "volume_spread_ml", "cell_needed"),
        (6, "sheet", "row_twice"),
        (7, "lot", "lot_not_on_sheet"),
        (8, "how", "unknown_choice"),
        (8, "sheet", "bad_check_character"),
    ]
    assert not CountLine.objects.filter(sheet=sheet).exclude(method="").exists()
    assert not SheetImport.objects.exists()
