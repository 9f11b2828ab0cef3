"""How long to wait after so many failed attempts: not at all, then ever longer, up to a limit."""

from __future__ import annotations

import datetime as dt
import math
from typing import Final

WAIT_S_MAX: Final = 300


def wait_s(failures: int, free: int) -> int:
    """Seconds to wait after the last of `failures` attempts, when `free` of them cost nothing."""
    return 0 if failures < free else min(WAIT_S_MAX, 2 ** min(failures - free, 16))


def left_s(failures: int, free: int, last: dt.datetime | None, now: dt.datetime) -> int:
    """What is left of that wait at `now`, in whole seconds."""
    if last is None:
        return 0
    until = last + dt.timedelta(seconds=wait_s(failures, free))
    return max(0, math.ceil((until - now).total_seconds()))
