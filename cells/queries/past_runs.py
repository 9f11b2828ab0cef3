"""What the past runs of a cell teach of its next one, and what a run left in the bath unmeasured.

A closed run keeps what it was estimated at in `CellRun.estimated`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, get_args

from cells.estimate.answers import Estimate, range_of
from cells.estimate.facts import Figure, Learned, LearnedOf
from cells.estimate.outlook import state_at
from cells.estimate.pooling import BEFOREHAND, pooled
from cells.models import CellRun, ElectrolyteReading
from lots.ledger.holdings import Holding
from lots.units import UG_PER_G

# How many earlier runs of the cell teach.
RUNS_LOOKED_AT: Final = 8


@dataclass(frozen=True)
class Left:
    """Grams of a metal that a run left in the bath, beside what the book said then."""

    found: Figure
    book_g: float

    def per_l(self, book_g: float, litres: float) -> Figure:
        """Grams per litre when the book has since become `book_g`."""
        grams = self.found.value + book_g - self.book_g
        return Figure(max(grams, 0.0) / litres, self.found.u / litres)


def to_keep(found: Estimate, untaught: Estimate, book: Holding) -> dict[str, Any]:
    """What a closed run is kept as: the bath beside its book, and what the run teaches.

    `untaught` is its estimate without what earlier runs teach, so that nothing is learned twice.
    """
    state, drawn = state_at(found, found.facts.now_h), untaught.course.drawn
    bath = {"Ag": state.silver_g, "Cu": state.copper_g, "Pd": state.palladium_g}
    figures = {
        "plated": drawn.at_cathode * drawn.gain,
        "dissolved": drawn.at_anode * drawn.gain,
        "fall": drawn.fall,
        "contact": drawn.contact,
        "ending": drawn.ending,
        "sooner": drawn.sooner,
    }
    learned = {of: range_of(values) for of, values in figures.items()}
    return {
        "bath": {
            metal: [made.value, made.u, book.metals.get(metal, 0) / UG_PER_G]
            for metal, made in bath.items()
        },
        "learned": {of: [made.value, made.u] for of, made in learned.items()},
    }


def learned_of(run: CellRun) -> list[Learned]:
    """What the earlier runs of the cell teach, in one query."""
    earlier = CellRun.objects.filter(
        cell=run.cell_id, state=CellRun.State.CLOSED, closed_at__lte=run.charged_at
    ).order_by("-closed_at", "-id")
    kept = [(each.estimated or {}).get("learned", {}) for each in earlier[:RUNS_LOOKED_AT]]
    taught = []
    for of in get_args(LearnedOf):
        figures = [Figure(*each[of]) for each in kept if of in each]
        made = pooled(figures, BEFOREHAND[of])
        if made is not None:
            taught.append(Learned(of, made))
    return taught


def left_in_bath(run: CellRun) -> dict[str, Left]:
    """What the run before left in the electrolyte, if nobody has assayed it since, by metal."""
    before = (
        CellRun.objects.filter(
            electrolyte=run.electrolyte_id,
            state=CellRun.State.CLOSED,
            closed_at__lte=run.charged_at,
        )
        .order_by("-closed_at", "-id")
        .first()
    )
    if before is None or before.closed_at is None:
        return {}
    assayed = ElectrolyteReading.objects.filter(
        batch=run.electrolyte_id,
        assay__isnull=False,
        taken_at__gt=before.closed_at,
        taken_at__lte=run.charged_at,
    )
    if assayed.exists():
        return {}
    return {
        metal: Left(Figure(value, u), book_g)
        for metal, (value, u, book_g) in (before.estimated or {}).get("bath", {}).items()
    }
