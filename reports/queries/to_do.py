"""One matter that needs a person, and how soon."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

LISTED_MAX: Final = 12


class Urgency(IntEnum):
    """The lower, the sooner."""

    NOW = 1
    TODAY = 2
    SOON = 3


@dataclass(frozen=True)
class Attention:
    """One matter: `kind` names it, `about` the thing by which a page is found, `text` says it."""

    urgency: Urgency
    kind: str
    about: str
    text: str
    since: dt.datetime | None = None
