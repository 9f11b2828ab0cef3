"""What this app offers in the shell."""

from __future__ import annotations

from typing import Final

from config.menu import Link

TABS: Final = (Link("Today", "today", 10),)
LOT_ACTIONS: Final = (
    Link("Where is it?", "lot-answer", 80, hint="The answer to give its customer"),
)
