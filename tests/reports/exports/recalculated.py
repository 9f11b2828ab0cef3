"""Has LibreOffice work out a workbook's formulas, and compares every figure with the JSON's."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Sequence
from decimal import ROUND_HALF_UP, Decimal
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from reports.exports.tables import Column, Kind, Table, as_json, json_names
from reports.exports.workbook import write_workbook

SOFFICE = shutil.which("soffice") or shutil.which("libreoffice")

needs_libreoffice = pytest.mark.skipif(
    SOFFICE is None,
    reason="LibreOffice (soffice) is not installed, so no workbook can be recalculated here; "
    ".ci/run installs it",
)
_DECIMALS = {Kind.MASS: 6, Kind.VOLUME: 6, Kind.PERCENT: 4, Kind.MONEY: 2}


def recalculate(path: Path, folder: Path) -> Any:
    """The workbook as LibreOffice saves it after working out every formula."""
    assert SOFFICE is not None
    out = folder / "recalculated"
    subprocess.run(
        [
            SOFFICE,
            "--headless",
            f"-env:UserInstallation={(folder / 'profile').as_uri()}",
            "--convert-to",
            "xlsx",
            "--outdir",
            str(out),
            str(path),
        ],
        check=True,
        capture_output=True,
        timeout=180,
    )
    return load_workbook(out / path.name, data_only=True)


def assert_recalculates(tables: Sequence[Table], folder: Path) -> int:
    """Every figure of every sheet equals the JSON's to the last printed digit; returns how many."""
    path = folder / "book.xlsx"
    with path.open("wb") as file:
        write_workbook(tables, file)
    book = recalculate(path, folder)
    assert book.sheetnames == [table.name for table in tables]
    return sum(_compare(book[table.name], table) for table in tables)


def _compare(sheet: Any, table: Table) -> int:
    data = as_json(table)
    first = len(table.notes) + 4
    compared = 0
    for number, expected in enumerate([*data["rows"], *data["totals"]], first):
        at = 1
        for column in table.columns:
            shown = [name for name in json_names(column) if not name.endswith(("_ug", "_ul"))]
            for name in shown:
                if column.kind in _DECIMALS and name in expected:
                    cell = sheet.cell(number, at)
                    assert _printed(cell.value, column) == expected[name], cell.coordinate
                    compared += 1
                at += 1
    return compared


def _printed(value: Any, column: Column) -> str | None:
    """A cell's number as its format prints it."""
    if value is None or value == "":
        return None
    step = Decimal(1).scaleb(-_DECIMALS[column.kind])
    printed = Decimal(repr(value)).quantize(step, ROUND_HALF_UP)
    return str(printed if printed else abs(printed))
