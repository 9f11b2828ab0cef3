"""The letters of everything printed as PDF: embedded, so that any reader prints them alike."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from django.conf import settings
from fpdf import FPDF

FONT: Final = "paper"
# Its letters are those of Europe, Hebrew and Arabic.
_FOLDER: Final = Path(__file__).parent / "fonts"
_FILES: Final = {"": "DejaVuSansCondensed.ttf", "B": "DejaVuSansCondensed-Bold.ttf"}


def add_fonts(paper: FPDF) -> None:
    """The site's own font; scripts that it lacks are printed by fonts of the user's own."""
    for style, file in _FILES.items():
        paper.add_font(FONT, style, _FOLDER / file)
    names = [f"{FONT}-{number}" for number in range(len(settings.PAPER_FONTS))]
    for name, file in zip(names, settings.PAPER_FONTS, strict=True):
        paper.add_font(name, "", file)
    paper.set_fallback_fonts(names, exact_match=False)
