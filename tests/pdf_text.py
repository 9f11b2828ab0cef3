"""The words of a PDF, as a reader that copies them out would have them."""

from __future__ import annotations

import io

from pypdf import PdfReader


def text_of(pdf: bytes) -> str:
    """All pages' text, with every run of blanks and line ends as one blank."""
    pages = PdfReader(io.BytesIO(pdf)).pages
    return " ".join(" ".join(page.extract_text().split()) for page in pages)
