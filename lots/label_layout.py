"""Where on its paper does each label stand? Millimetres from the sheet's upper left corner."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from config.refusals import refuse

PAPER_MM_MAX: Final = 500.0
# Below this neither the QR code nor the written code can be read.
LABEL_MM_MIN: Final = (25.0, 15.0)


@dataclass(frozen=True)
class LabelLayout:
    """Rows and columns of equal labels; the margins are alike left and right, top and bottom."""

    page_width_mm: float
    page_height_mm: float
    rows: int = 1
    columns: int = 1
    margin_across_mm: float = 0.0
    margin_down_mm: float = 0.0
    gap_across_mm: float = 0.0
    gap_down_mm: float = 0.0

    @property
    def on_a_sheet(self) -> int:
        return self.rows * self.columns

    @property
    def label_width_mm(self) -> float:
        gaps = (self.columns - 1) * self.gap_across_mm
        return (self.page_width_mm - 2 * self.margin_across_mm - gaps) / self.columns

    @property
    def label_height_mm(self) -> float:
        gaps = (self.rows - 1) * self.gap_down_mm
        return (self.page_height_mm - 2 * self.margin_down_mm - gaps) / self.rows


# Grids in common use for A4 sheets and for rolls; the names are this project's own.
LAYOUTS: Final[dict[str, tuple[str, LabelLayout]]] = {
    "a4-24": ("A4 sheet, 24 of 70 × 37 mm", LabelLayout(210, 297, 8, 3, 0, 0.5)),
    "a4-14": ("A4 sheet, 14 of 99 × 38 mm", LabelLayout(210, 297, 7, 2, 4.65, 15.15, 2.5)),
    "a4-40": ("A4 sheet, 40 of 48 × 25 mm", LabelLayout(210, 297, 10, 4, 8, 21.5)),
    "a4-65": ("A4 sheet, 65 of 38 × 21 mm", LabelLayout(210, 297, 13, 5, 4.75, 10.7, 2.5)),
    "roll-62": ("One by one, 62 × 29 mm", LabelLayout(62, 29)),
    "roll-100": ("One by one, 100 × 50 mm", LabelLayout(100, 50)),
}


@dataclass(frozen=True)
class Spot:
    """One label's place: which sheet, and its upper left corner."""

    sheet: int
    left_mm: float
    top_mm: float


def checked_layout(layout: LabelLayout) -> LabelLayout:
    """The layout as given. Raises InvalidError `no_room` when its labels can't be read."""
    width, height = layout.label_width_mm, layout.label_height_mm
    least_width, least_height = LABEL_MM_MIN
    if width < least_width or height < least_height:
        raise refuse(
            "no_room:label_layout",
            field="columns" if width < least_width else "rows",
            width=width,
            height=height,
            least_width=least_width,
            least_height=least_height,
        )
    return layout


def spots(layout: LabelLayout, count: int, start: int = 1) -> list[Spot]:
    """The places of `count` labels, row by row, beginning with the `start`th of the first sheet.

    Raises InvalidError `outside_sheet` when a sheet has no such label.
    """
    if not 1 <= start <= layout.on_a_sheet:
        raise refuse("outside_sheet", field="start", value=start, on_a_sheet=layout.on_a_sheet)
    found = []
    for number in range(start - 1, start - 1 + count):
        sheet, on_sheet = divmod(number, layout.on_a_sheet)
        row, column = divmod(on_sheet, layout.columns)
        left = layout.margin_across_mm + column * (layout.label_width_mm + layout.gap_across_mm)
        top = layout.margin_down_mm + row * (layout.label_height_mm + layout.gap_down_mm)
        found.append(Spot(sheet, left, top))
    return found
