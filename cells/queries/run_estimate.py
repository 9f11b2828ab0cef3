"""How a run stands and what lies ahead of it, by everything that is known of it."""

from __future__ import annotations

import datetime as dt
import pickle
from dataclasses import dataclass, replace
from functools import lru_cache

from cells.estimate.answers import Estimate, Range, estimate
from cells.estimate.facts import RunFacts
from cells.estimate.outlook import Forecast, Limits, RunState, forecast, state_at
from cells.models import CellRun
from cells.queries.run_facts import SECONDS_PER_HOUR, RunKnown, run_known
from lots.ledger.holdings import AsOf, holding
from lots.units import UG_PER_G


@dataclass(frozen=True)
class BesideBook:
    """A metal of the bath by the book, and what is expected of it, in grams.

    `unexplained_g` is how far the book lies outside the 95 % interval; nothing inside it.
    """

    metal: str
    book_g: float
    expected_g: Range
    unexplained_g: float


@dataclass(frozen=True)
class RunNow:
    """A run's estimate at `as_of`, and the state it makes of it."""

    known: RunKnown
    found: Estimate
    state: RunState

    @property
    def as_of(self) -> dt.datetime:
        return self.known.as_of

    @property
    def beside_book(self) -> tuple[BesideBook, ...]:
        """The bath's book at that moment beside what is expected; two queries.

        Until the harvest the book shows the bath as it went in.
        """
        book = holding(self.known.run.electrolyte.lot, AsOf(self.as_of)).metals
        found = []
        for metal, expected in (
            ("Ag", self.state.silver_g),
            ("Cu", self.state.copper_g),
            ("Pd", self.state.palladium_g),
        ):
            grams = book.get(metal, 0) / UG_PER_G
            beyond = grams - min(max(grams, expected.low), expected.high)
            found.append(BesideBook(metal, grams, expected, beyond))
        return tuple(found)

    def ahead(self, moment: dt.datetime | None = None) -> Forecast:
        """What lies ahead, and how the run stands at a moment if one is asked for."""
        cell = self.known.run.cell
        limits = Limits(float(cell.copper_limit_g_per_l), float(cell.silver_min_g_per_l))
        moment_h = (
            None
            if moment is None
            else max(0.0, (moment - self.known.begun).total_seconds() / SECONDS_PER_HOUR)
        )
        return forecast(self.found, self.known.begun, limits, moment_h)


def run_now(run: CellRun, at: dt.datetime) -> RunNow:
    """The estimate of a started run at `at`. Raises what `run_known` does."""
    known = run_known(run, at)
    found = _estimated(pickle.dumps(known.facts))
    return RunNow(known, found, state_at(found, known.facts.now_h))


def untaught(known: RunKnown) -> Estimate:
    """The run's estimate by its own facts, without what earlier runs teach."""
    return estimate(replace(known.facts, learned=()))


@lru_cache(maxsize=8)
def _estimated(facts: bytes) -> Estimate:
    # The same facts always have the same estimate, and a page asks for it more than once.
    known: RunFacts = pickle.loads(facts)  # noqa: S301
    return estimate(known)
