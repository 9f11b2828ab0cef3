"""What a run's bag should hold, by what is left of its charge."""

from __future__ import annotations

import datetime as dt

from cells.electrochemistry.slimes_estimate import (
    ChargePart,
    Share,
    SlimesEstimate,
    estimate_slimes,
    recovery_factors,
)
from cells.models import CellRun
from cells.queries.content_uncertainty import relative_uncertainties
from cells.queries.slimes_queue import past_recoveries
from cells.queries.unstated import unstated_metals
from lots.ledger.holdings import Holding


def expected_slimes(
    run: CellRun, held: Holding, at: dt.datetime
) -> tuple[SlimesEstimate, SlimesEstimate]:
    """Without what earlier recoveries taught, and with it; `held` is what is left of the charge."""
    relative = relative_uncertainties([run.charge_lot])[run.charge_lot_id]
    unstated = unstated_metals(run, held, at)
    content_ug = held.metals | {metal: round(ug) for metal, (ug, _) in unstated.items()}
    part = ChargePart(
        content_ug=content_ug,
        u_content_ug={m: ug * relative.get(m, 0.0) for m, ug in held.metals.items()}
        | {metal: u for metal, (_, u) in unstated.items()},
        dissolved=Share(1.0, 0.0),
        other_ug=max(0, held.mass_ug - sum(content_ug.values())),
    )
    factors = recovery_factors(past_recoveries(), group=run.cell.code)
    return estimate_slimes([part]), estimate_slimes([part], factors=factors)
