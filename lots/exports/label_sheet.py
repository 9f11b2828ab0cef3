"""Labels as PDF and as SVG: a QR code that opens the lot, the readable code, what the lot is.

The code's check character stands apart, white on black, so that it is copied with the rest.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

import segno
from fpdf import FPDF

from config.paper_fonts import FONT, add_fonts
from lots.label_layout import LabelLayout, Spot, spots

PADDING_MM: Final = 1.5
# The share of a label that its QR code may take across.
QR_SHARE: Final = 0.45
QUIET_MODULES: Final = 4
MM_PER_POINT: Final = 25.4 / 72
CODE_MM_MAX: Final = 6.0
LINE_MM: Final = 3.2
LINE_MM_MIN: Final = 2.2
# About the width of a letter against its height, for the SVG, whose letters its reader chooses.
LETTER: Final = 0.52
CODE_LETTER: Final = 0.62


@dataclass(frozen=True)
class Label:
    """What one label bears: the lot's code, the address its QR code opens, a few lines."""

    code: str
    address: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class _Measures:
    """Millimetres within a label of one layout."""

    qr_mm: float
    text_left_mm: float
    text_width_mm: float
    code_mm: float
    line_mm: float
    lines_max: int


def _measures(layout: LabelLayout, code_length: int) -> _Measures:
    width, height = layout.label_width_mm, layout.label_height_mm
    qr = min(height - 2 * PADDING_MM, QR_SHARE * width)
    left = PADDING_MM + qr + PADDING_MM
    room = width - left - PADDING_MM
    # The check character's box is wider than a letter.
    code = min(CODE_MM_MAX, room / (CODE_LETTER * (code_length + 1)))
    line = max(LINE_MM_MIN, min(LINE_MM, height / 9))
    lines = int((height - 2 * PADDING_MM - 1.6 * code) // (1.25 * line))
    return _Measures(qr, left, room, code, line, max(0, lines))


def dark_runs(text: str) -> tuple[int, list[tuple[int, int, int]]]:
    """How many modules the QR code of `text` is wide, and its dark runs: column, row, length.

    Error correction M and the quiet zone of ISO/IEC 18004.
    """
    made = segno.make(text, error="m", micro=False)
    runs = []
    size = 0
    for row, line in enumerate(made.matrix_iter(border=QUIET_MODULES)):
        modules = list(line)
        size = len(modules)
        column = 0
        while column < size:
            length = 0
            while column + length < size and modules[column + length]:
                length += 1
            if length:
                runs.append((column, row, length))
            column += max(1, length)
    return size, runs


def label_pdf(labels: Sequence[Label], layout: LabelLayout, start: int = 1) -> bytes:
    """The sheets as one PDF in the paper's own size. Raises as `spots`."""
    paper = FPDF(unit="mm", format=(layout.page_width_mm, layout.page_height_mm))
    add_fonts(paper)
    paper.set_title("Labels")
    paper.set_margin(0)
    paper.set_auto_page_break(auto=False)
    sheet = -1
    for label, spot in zip(labels, spots(layout, len(labels), start), strict=True):
        if spot.sheet != sheet:
            # The sides as given: fpdf2 would turn a page that is wider than high.
            paper.add_page(orientation="L" if layout.page_width_mm > layout.page_height_mm else "P")
            sheet = spot.sheet
        _print(paper, label, layout, spot)
    return bytes(paper.output())


def _print(paper: FPDF, label: Label, layout: LabelLayout, spot: Spot) -> None:
    sizes = _measures(layout, len(label.code))
    modules, runs = dark_runs(label.address)
    module = sizes.qr_mm / modules
    top = spot.top_mm + PADDING_MM
    paper.set_fill_color(0)
    for column, row, length in runs:
        left = spot.left_mm + PADDING_MM + column * module
        paper.rect(left, top + row * module, length * module, module, style="F")
    left = spot.left_mm + sizes.text_left_mm
    paper.set_font(FONT, "B", sizes.code_mm / MM_PER_POINT)
    body, check = label.code[:-1], label.code[-1]
    height = 1.2 * sizes.code_mm
    body_width = paper.get_string_width(body) + 0.3 * sizes.code_mm
    box_width = paper.get_string_width(check) + 0.5 * sizes.code_mm
    baseline = top + 0.95 * sizes.code_mm
    paper.text(left, baseline, body)
    paper.rect(left + body_width, top, box_width, height, style="F")
    paper.set_text_color(255)
    paper.text(left + body_width + 0.25 * sizes.code_mm, baseline, check)
    paper.set_text_color(0)
    paper.set_font(FONT, "", sizes.line_mm / MM_PER_POINT)
    for number, line in enumerate(label.lines[: sizes.lines_max]):
        below = top + 1.6 * sizes.code_mm + (number + 0.8) * 1.25 * sizes.line_mm
        paper.text(left, below, _cut_to(paper, line, sizes.text_width_mm))


def _cut_to(paper: FPDF, line: str, width_mm: float) -> str:
    """The line, or as much of it as there is room for."""
    if paper.get_string_width(line) <= width_mm:
        return line
    while line and paper.get_string_width(f"{line}…") > width_mm:
        line = line[:-1]
    return f"{line}…"


def label_svgs(labels: Sequence[Label], layout: LabelLayout, start: int = 1) -> list[str]:
    """Each sheet as one SVG whose units are millimetres. Raises as `spots`."""
    sheets: dict[int, list[str]] = {}
    for label, spot in zip(labels, spots(layout, len(labels), start), strict=True):
        sheets.setdefault(spot.sheet, []).extend(_draw(label, layout, spot))
    width, height = layout.page_width_mm, layout.page_height_mm
    return [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
        f'viewBox="0 0 {width:g} {height:g}" role="img" aria-label="Sheet {sheet + 1} of labels">'
        f'<rect width="{width:g}" height="{height:g}" fill="#fff"/>{"".join(parts)}</svg>'
        for sheet, parts in sorted(sheets.items())
    ]


def _draw(label: Label, layout: LabelLayout, spot: Spot) -> Iterator[str]:
    sizes = _measures(layout, len(label.code))
    modules, runs = dark_runs(label.address)
    path = "".join(f"M{column},{row}h{length}v1h-{length}z" for column, row, length in runs)
    top = spot.top_mm + PADDING_MM
    place = (
        f"translate({spot.left_mm + PADDING_MM:.3f} {top:.3f}) scale({sizes.qr_mm / modules:.5f})"
    )
    yield f'<path transform="{place}" d="{path}"/>'
    left = spot.left_mm + sizes.text_left_mm
    size = sizes.code_mm
    body, check = label.code[:-1], label.code[-1]
    body_width = CODE_LETTER * size * len(body)
    baseline = top + 0.95 * size
    mono = f'font-family="monospace" font-weight="700" font-size="{size:.2f}"'
    yield (
        f'<text x="{left:.2f}" y="{baseline:.2f}" {mono} textLength="{body_width:.2f}" '
        f'lengthAdjust="spacingAndGlyphs">{escape(body)}</text>'
    )
    box = left + body_width + 0.2 * size
    yield f'<rect x="{box:.2f}" y="{top:.2f}" width="{size:.2f}" height="{1.2 * size:.2f}"/>'
    yield (
        f'<text x="{box + size / 2:.2f}" y="{baseline:.2f}" {mono} fill="#fff" '
        f'text-anchor="middle">{escape(check)}</text>'
    )
    letters = int(sizes.text_width_mm / (LETTER * sizes.line_mm))
    for number, line in enumerate(label.lines[: sizes.lines_max]):
        below = top + 1.6 * size + (number + 0.8) * 1.25 * sizes.line_mm
        text = line if len(line) <= letters else f"{line[: letters - 1]}…"
        yield (
            f'<text x="{left:.2f}" y="{below:.2f}" font-family="sans-serif" '
            f'font-size="{sizes.line_mm:.2f}">{escape(text)}</text>'
        )
