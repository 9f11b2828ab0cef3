"""Plays the whole demo history into an empty database."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import numpy as np

from reports.demo import months
from reports.demo.bench import Bench
from reports.demo.cast import scenario, set_up
from reports.demo.closing import close_the_month
from reports.demo.letters import correspond
from reports.demo.truth import Instruments
from reports.demo.wet_work import WetWork

# The story's last planned event happens on this day of the open month.
LAST_DAY = 20


def open_month_on(today: dt.date) -> dt.date:
    """The first day of the latest month in which the whole story lies in the past."""
    day = today - dt.timedelta(days=LAST_DAY + 1)
    return day.replace(day=1)


def months_before(first_day: dt.date, count: int) -> list[dt.date]:
    """The first days of the `count` months before, oldest first, and of the month itself."""
    days = [first_day]
    for _ in range(count):
        days.insert(0, (days[0] - dt.timedelta(days=1)).replace(day=1))
    return days


def play(open_month: dt.date, password: str, tell: Callable[[str], None]) -> WetWork:
    """Two closed months and the open one; the same seed gives the same figures every time."""
    facts = scenario()
    first_days = months_before(open_month, 2)
    tools = Instruments(np.random.Generator(np.random.PCG64(facts["seed"])))
    tell("people, places, balances and cells of an invented works")
    bench = Bench(set_up(facts, first_days[0], password), facts, tools, tell)
    story = WetWork(bench, first_days)
    months.first_month(story)
    close_the_month(bench, first_days[0], story.on(1, 1, 0) - dt.timedelta(hours=3))
    months.second_month(story)
    close_the_month(bench, first_days[1], story.on(2, 1, 0) - dt.timedelta(hours=3))
    months.open_month(story)
    correspond(story)
    return story
