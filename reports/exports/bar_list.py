"""The bar list as a table: CSV, and a workbook whose totals are live formulas."""

from __future__ import annotations

from typing import IO, Final, TextIO

from lots.local_law import LOCAL_LAW
from lots.queries.bar_list import BarList
from reports.exports.tables import Column, Kind, Table, local, write_csv
from reports.exports.workbook import write_workbook

_COLUMNS: Final = (
    Column("mark", "Mark", width=16),
    Column("lot", "Lot", width=16, is_counted=True),
    Column("metal", "Metal", width=8),
    Column("gross_g", "Weighed, g", Kind.FIGURE, 18, is_totalled=True),
    Column("gross_ozt", "Gross, ozt", Kind.FIGURE, is_totalled=True),
    Column("fineness_ppt", "Fineness, parts per thousand", Kind.FIGURE),
    Column("fine_ozt", "Fine, ozt", Kind.FIGURE, is_totalled=True),
    Column("gross_rule", "Gross by", width=34),
    Column("fine_rule", "Fine by", width=44),
    Column("fine_source", "Source of the fine weight", width=44),
    Column("outside", "London limits not kept", width=44, of=lambda bar: " ".join(bar.outside)),
    Column(
        "listed_at", "Listed", width=18, of=lambda bar: f"{local(bar.listed_at):%Y-%m-%d %H:%M}"
    ),
    Column("weighing", "Weighing", Kind.WHOLE, 10),
    Column("assay", "Assay", Kind.WHOLE, 10),
)


def bar_list_table(listed: BarList) -> Table:
    """Every bar by its rules; per metal the bars, gross and fine weight."""
    return Table("Bars", "Bar list", _COLUMNS, listed.bars, (*listed.notes, LOCAL_LAW), "metal")


def write_bar_list_csv(listed: BarList, file: TextIO) -> None:
    """The bars without notes and totals, so that another program can read them."""
    write_csv(bar_list_table(listed), file)


def write_bar_list_workbook(listed: BarList, file: IO[bytes]) -> None:
    """One sheet: notes, bars and totals."""
    write_workbook([bar_list_table(listed)], file)
