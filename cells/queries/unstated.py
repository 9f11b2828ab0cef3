"""What a run's charge may hold of metals that nobody stated: expected, and not on the books."""

from __future__ import annotations

import datetime as dt
from typing import Final

from cells.estimate.priors import SELDOM_FOUND
from cells.models import CellRun
from cells.queries.run_estimate import run_now
from config.refusals import RefusalError
from lots.ledger.holdings import Holding
from lots.units import UG_PER_G

ESTIMATED: Final = ("Au", "Pd", "Cu")


def unstated_metals(run: CellRun, held: Holding, at: dt.datetime) -> dict[str, tuple[float, float]]:
    """Micrograms and their standard uncertainty of each metal the charge's book says nothing of.

    Empty where the books make no run of it.
    """
    try:
        now = run_now(run, at)
    except RefusalError:
        return {}
    whole_ug = now.known.facts.anode_g * UG_PER_G
    feed = now.found.course.drawn.feed
    made = {
        metal: (float(feed[metal].mean()) * whole_ug, float(feed[metal].std()) * whole_ug)
        for metal in ESTIMATED
    }
    made |= {metal: (share * whole_ug, u * whole_ug) for metal, (share, u) in SELDOM_FOUND.items()}
    return {metal: figure for metal, figure in made.items() if metal not in held.metals}
