"""Text on its way into a spreadsheet or CSV, where it must not run as a formula, and back.

Going out, text that could run gets an apostrophe before it; coming in, that apostrophe is taken
off again, so that what was written returns as it was.
"""

from __future__ import annotations

import re
from typing import Final

# The wide forms are run by programs set to East Asian languages.
_RUNS: Final = "=+\\-@＝＋－＠"
_AT_START: Final = re.compile(f"^(?='*[{_RUNS}\t\r\n])")
_QUOTED_AT_START: Final = re.compile(f"^'(?='*[{_RUNS}\t\r\n])")
# A program that takes another sign than the comma for the end of a cell starts a new cell there.
_NEW_CELL: Final = re.compile(f"([;|\t\r\n][ ']*)(?=[{_RUNS}])")
_QUOTED_NEW_CELL: Final = re.compile(f"([;|\t\r\n][ ']*)'(?=[{_RUNS}])")
# What XML 1.0 can't carry, and the half characters that no encoding can.
_NOT_IN_XML: Final = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")


def fit_for_xml(text: str) -> str:
    """The text with a mark of replacement for each character that no workbook can hold."""
    return _NOT_IN_XML.sub("\ufffd", text)


def neutralised(text: str) -> str:
    """The text as a workbook's cell shows and never runs it."""
    return _AT_START.sub("'", text, count=1)


def neutralised_in_csv(text: str) -> str:
    """The text as a CSV's cell shows and never runs it, whatever separates its cells."""
    return _NEW_CELL.sub(r"\1'", neutralised(text))


def as_written(cell: str) -> str:
    """What a neutralised workbook cell said before."""
    return _QUOTED_AT_START.sub("", cell, count=1)


def as_written_in_csv(cell: str) -> str:
    """What a neutralised CSV cell said before."""
    return as_written(_QUOTED_NEW_CELL.sub(r"\1", cell))
