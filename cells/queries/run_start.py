"""A run as the electrochemistry takes it: anode, electrolyte at the start, what is assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from django.db.models import Sum

from cells.electrochemistry.current_efficiency import EfficiencyPrior, efficiency_prior
from cells.electrochemistry.electrolysis import PALLADIUM_DISSOLVING, composition_from_masses
from cells.electrochemistry.electrolyte_state import (
    ELECTROLYTE_SIZE,
    AnodeCharge,
    Electrolyte,
    Estimate,
    RunAssumptions,
)
from cells.models import CellRun, ElectrolyteReading
from cells.queries.content_uncertainty import relative_uncertainties
from cells.queries.efficiency_history import efficiencies
from cells.queries.standing_movements import standing
from lots.elements import molar_mass
from lots.ledger.holdings import AsOf, Holding, holding
from lots.models import Entry, Lot, MaterialEntry, Movement, VolumeReading
from lots.units import UG_PER_G

NITRIC_ACID_G_PER_MOL: Final = float(molar_mass({"H": 1, "N": 1, "O": 3}))
UL_PER_L: Final = 1_000_000
# What an electrolyte holds by the book, without a stated uncertainty, is trusted to this relative
# standard uncertainty, and so is its volume. Common practice, no source.
BOOK_RELATIVE_U: Final = 0.02
ACID_RELATIVE_U: Final = 0.05
EVAPORATION_RELATIVE_U: Final = 0.5


@dataclass(frozen=True)
class RunStart:
    """What a run began with."""

    electrolyte: Electrolyte
    anode: AnodeCharge
    assumed: RunAssumptions
    efficiency: EfficiencyPrior


def run_start(run: CellRun, as_of: AsOf) -> RunStart:
    """The run's anode (less a remnant taken back), electrolyte as charged, and assumptions.

    `run` comes with its cell and lots; a fixed number of queries.
    """
    prior = efficiency_prior(efficiencies([run.cell], as_of)[run.cell_id])
    relative = relative_uncertainties([run.charge_lot, run.electrolyte.lot])
    start = holding(run.electrolyte.lot, AsOf(run.charged_at, as_of.recorded))
    return RunStart(
        electrolyte=electrolyte_of(
            run.electrolyte.lot,
            start,
            relative[run.electrolyte.lot_id],
            free_acid_g_per_l(run, as_of),
        ),
        anode=anode_of(*_charge_left(run, as_of), relative[run.charge_lot_id]),
        assumed=RunAssumptions(
            efficiency=Estimate(min(prior.mean, 1.1), prior.u_next_run),
            u_gain=float(run.cell.ammeter_gain_u),
            evaporation_l_per_h=_evaporation(run),
        ),
        efficiency=prior,
    )


def anode_of(metals: Mapping[str, int], mass_ug: int, relative: Mapping[str, float]) -> AnodeCharge:
    """A charge of so many micrograms per metal, with the relative uncertainty of each."""
    whole_g = max(mass_ug, sum(metals.values())) / UG_PER_G
    made_of = composition_from_masses(
        {metal: mass / UG_PER_G for metal, mass in metals.items()}, whole_g
    )
    return AnodeCharge(
        mass_g=whole_g,
        composition=made_of,
        u_silver=min(1.0, made_of.silver * relative.get("Ag", 0.0)),
        u_copper=min(1.0, made_of.copper * relative.get("Cu", 0.0)),
        u_palladium=min(1.0, made_of.palladium * PALLADIUM_DISSOLVING * relative.get("Pd", 0.0)),
    )


def electrolyte_of(
    lot: Lot, held: Holding, relative: Mapping[str, float], acid_g_per_l: float
) -> Electrolyte:
    """An electrolyte by the book, each amount with its uncertainty; errors taken as independent."""
    litres = held.volume_ul / UL_PER_L
    grams = [held.metals.get(metal, 0) / UG_PER_G for metal in ("Ag", "Cu", "Pd")]
    spread = [
        mass_g * (relative.get(metal) or BOOK_RELATIVE_U)
        for metal, mass_g in zip(("Ag", "Cu", "Pd"), grams, strict=True)
    ]
    acid_mol = acid_g_per_l * litres / NITRIC_ACID_G_PER_MOL
    mean = np.array([*grams, acid_mol, litres])
    u = np.array([*spread, ACID_RELATIVE_U * acid_mol, _u_volume_l(lot, litres)])
    assert len(mean) == ELECTROLYTE_SIZE
    return Electrolyte(mean=mean, covariance=np.diag(u**2))


def free_acid_g_per_l(run: CellRun, as_of: AsOf) -> float:
    """The free acid last found before the run was charged; none where none was."""
    reading = (
        ElectrolyteReading.objects.filter(
            batch=run.electrolyte,
            free_acid_g_per_l__isnull=False,
            taken_at__lte=run.charged_at,
        )
        .order_by("-taken_at", "-id")
        .first()
    )
    return 0.0 if reading is None else float(reading.free_acid_g_per_l or 0)


def _u_volume_l(lot: Lot, litres: float) -> float:
    reading = VolumeReading.objects.filter(lot=lot).order_by("-taken_at", "-id").first()
    if reading is None or not reading.standard_uncertainty_ul:
        return BOOK_RELATIVE_U * litres
    return reading.standard_uncertainty_ul / UL_PER_L


def _charge_left(run: CellRun, as_of: AsOf) -> tuple[dict[str, int], int]:
    """What was charged, less what came back undissolved, as later assays put it: metals, mass."""
    after = (Movement.Kind.SLIMES, Movement.Kind.HARVEST, Movement.Kind.RUN_CLOSE)
    entries = Entry.objects.filter(standing("movement", as_of), lot=run.charge_lot)
    metals = (
        entries.exclude(movement__kind__in=after)
        .order_by()
        .values_list("metal")
        .annotate(total=Sum("mass_ug"))
    )
    mass_ug = (
        MaterialEntry.objects.filter(standing("movement", as_of), lot=run.charge_lot)
        .exclude(movement__kind__in=after)
        .aggregate(total=Sum("mass_ug"))["total"]
    )
    return {metal: ug for metal, ug in metals if ug > 0}, mass_ug or 0


def _evaporation(run: CellRun) -> Estimate:
    litres_per_h = float(run.cell.evaporation_ml_per_h) / 1000
    return Estimate(litres_per_h, EVAPORATION_RELATIVE_U * litres_per_h)
