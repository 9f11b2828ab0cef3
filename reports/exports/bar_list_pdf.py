"""The bar list as a PDF, to go with the bars and be signed."""

from __future__ import annotations

import datetime as dt

from config.paper_fonts import FONT
from lots.local_law import LOCAL_LAW
from lots.queries.bar_list import BarList, BarRow, BarTotal
from reports.conventions import OUNCE_RULE
from reports.exports.paper import Paper
from reports.exports.tables import local


def bar_list_pdf(listed: BarList, *, house: str, made_at: dt.datetime) -> bytes:
    """The list as PDF bytes."""
    paper = Paper(
        "Bar list",
        author=house,
        about=f"bar list of {local(made_at):%Y-%m-%d %H:%M}",
        made_at=made_at,
        heading=f"Bar list of {local(made_at):%Y-%m-%d}",
    )
    columns = (
        ("Mark", 20),
        ("Lot", 23),
        ("Metal", 11),
        ("Weighed, g", -22),
        ("Gross, ozt", -20),
        ("Fineness", -17),
        ("Fine, ozt", -18),
        ("By which rule", 43),
    )
    paper.ruled(columns, [_row(bar) for bar in listed.bars])
    paper.set_font(FONT, "B", 10)
    for total in listed.totals:
        paper.say(_total(total), 6)
    paper.ln(2)
    paper.small_print((*listed.notes, OUNCE_RULE, LOCAL_LAW))
    paper.to_sign(("Made out by", "Seen by"))
    return paper.in_bytes()


def _row(bar: BarRow) -> list[str]:
    return [
        bar.mark,
        bar.lot,
        bar.metal,
        f"{bar.gross_g:,f}",
        f"{bar.gross_ozt:,f}",
        f"{bar.fineness_ppt:f}",
        "not stated" if bar.fine_ozt is None else f"{bar.fine_ozt:,f}",
        f"Gross {bar.gross_rule}.\nFine: {bar.fine_rule}.",
    ]


def _total(total: BarTotal) -> str:
    text = f"{total.metal}: {total.bars} bars, {total.gross_ozt:,f} ozt gross"
    if total.without_fine < total.bars:
        text += f", {total.fine_ozt:,f} ozt fine"
    if total.without_fine:
        text += f" ({total.without_fine} without a fine weight)"
    return text
