"""A4 paper for what is printed and signed: its page foot, its letters, its tables."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from itertools import zip_longest
from typing import Final

from fpdf import FPDF
from fpdf.enums import TableBordersLayout, XPos, YPos
from fpdf.fonts import FontFace

from config.paper_fonts import FONT, add_fonts

HEADINGS: Final = FontFace(emphasis="BOLD", fill_color=(236, 232, 222))
_STRONG: Final = FontFace(emphasis="BOLD")


class Paper(FPDF):
    """A page with what it is and its number at the foot."""

    def __init__(
        self, title: str, *, author: str, about: str, made_at: dt.datetime, heading: str = ""
    ) -> None:
        """Begins with who it is from and what it is; `about` is what its foot says it is."""
        super().__init__(format="A4")
        add_fonts(self)
        self.foot = f"{author} – {about}"
        self.set_title(title)
        self.set_author(author)
        self.set_creation_date(made_at)
        self.set_margin(18)
        self.set_auto_page_break(auto=True, margin=20)
        self.add_page()
        self.set_font(FONT, "B", 15)
        self.say(author, 8)
        self.set_font(FONT, "B", 12)
        self.say(heading or title, 8)
        self.set_font(FONT, size=9)

    def say(self, text: str, height_mm: float) -> None:
        """A paragraph over the rest of the width, and then a new line."""
        self.multi_cell(0, height_mm, text, new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def facts(self, rows: Iterable[tuple[str, str]]) -> None:
        """Names and values, one to a line; those without a value are left out."""
        for name, value in rows:
            if value:
                self.cell(26, 5, name)
                self.say(value, 5)
        self.ln(3)

    def ruled(
        self,
        columns: Sequence[tuple[str, int]],
        rows: Iterable[Sequence[str]],
        strong: Sequence[bool] = (),
    ) -> None:
        """A table with a line under each row; those that are `strong` are bold.

        A column is its heading and its width in millimetres, below nought where it stands right.
        """
        self.set_font(FONT, size=8)
        with self.table(
            col_widths=tuple(abs(width) for _, width in columns),
            text_align=tuple("RIGHT" if width < 0 else "LEFT" for _, width in columns),
            headings_style=HEADINGS,
            borders_layout=TableBordersLayout.HORIZONTAL_LINES,
            line_height=4.2,
            padding=(0.6, 1),
        ) as table:
            table.row([heading for heading, _ in columns])
            for row, is_strong in zip_longest(rows, strong):
                table.row(row, style=_STRONG if is_strong else None)
        self.ln(4)

    def small_print(self, texts: Iterable[str]) -> None:
        self.set_font(FONT, size=8)
        for text in texts:
            self.say(text, 4.2)

    def to_sign(self, texts: Iterable[str]) -> None:
        """Lines to sign on, side by side."""
        self.ln(12)
        for text in texts:
            self.cell(80, 5, text, border="T", new_x=XPos.RIGHT, new_y=YPos.TOP)
            self.cell(10, 5, "")

    def footer(self) -> None:
        self.set_y(-15)
        self.set_font(FONT, size=8)
        self.cell(0, 6, f"{self.foot} – page {self.page_no()} of {{nb}}", align="C")

    def in_bytes(self) -> bytes:
        return bytes(self.output())
