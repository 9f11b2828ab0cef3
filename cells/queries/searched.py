"""Which records of the cells the site's search finds, and by what."""

from __future__ import annotations

from typing import Final

from lots.queries.search import Searched

SEARCHED: Final = (
    Searched("Runs", "cells.CellRun", "run", ("code", "cell__code", "cell__name"), about="cell"),
)
