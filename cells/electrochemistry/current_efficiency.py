"""How much of the charge became crystal: the current efficiency of past runs and of the next.

The next run's prior is the cell's own history, shrunk towards the house mean while it is short.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.electrolysis import SILVER_G_PER_AH


@dataclass(frozen=True)
class CurrentEfficiency:
    """Silver weighed over silver by Faraday's law, with its standard uncertainty.

    A value above 1 is an error of measurement or metal from elsewhere, and is shown as it is.
    """

    value: float
    u_value: float


@dataclass(frozen=True)
class HousePrior:
    """What is believed of a cell before its own runs: mean, spread of cells, spread of runs."""

    mean: float = 0.97
    sd_between_cells: float = 0.02
    sd_between_runs: float = 0.01

    def __post_init__(self) -> None:
        checked(self.mean, field="house.mean", maximum=1.1, above=True)
        checked(self.sd_between_cells, field="house.sd_between_cells", above=True)
        checked(self.sd_between_runs, field="house.sd_between_runs", above=True)


# A silver-nitrate cell in order plates 95 to 99 % of the charge: common practice, no source.
HOUSE_PRIOR: Final = HousePrior()


@dataclass(frozen=True)
class EfficiencyPrior:
    """The cell's mean efficiency, its standard uncertainty, and that of the next single run.

    `own_weight` (0 to 1) is how much of the mean rests on the cell's own runs.
    """

    mean: float
    u_mean: float
    u_next_run: float
    own_weight: float
    runs: int


def current_efficiency(
    crystal_g: float, u_crystal_g: float, charge_ah: float, u_charge_ah: float
) -> CurrentEfficiency:
    """Efficiency of a past run from its dry crystal (grams of silver) and its charge.

    Raises InvalidError `too_small` (no charge, or a figure below zero) or `not_a_number`.
    Source: Faraday's law; propagation of uncertainty by JCGM 100 (GUM) 5.1.
    """
    crystal = checked(crystal_g, field="crystal_g")
    charge = checked(charge_ah, field="charge_ah", above=True)
    u_crystal = checked(u_crystal_g, field="u_crystal_g")
    u_charge = checked(u_charge_ah, field="u_charge_ah")
    by_faraday_g = SILVER_G_PER_AH * charge
    value = crystal / by_faraday_g
    return CurrentEfficiency(
        value=value,
        u_value=math.hypot(u_crystal / by_faraday_g, value * u_charge / charge),
    )


def efficiency_prior(
    history: Sequence[CurrentEfficiency], house: HousePrior = HOUSE_PRIOR
) -> EfficiencyPrior:
    """What to expect of the cell's next run.

    Normal-normal shrinkage: the cell's mean is drawn from the house (mean, spread of cells), each
    run from the cell's mean with the spread of runs and its own measurement uncertainty. With no
    history the house prior is returned. Source: A. Gelman et al., Bayesian Data Analysis, normal
    model with known variance (from memory).
    """
    house_precision = house.sd_between_cells**-2
    precision, weighted = house_precision, house_precision * house.mean
    for run in history:
        own = 1.0 / (house.sd_between_runs**2 + checked(run.u_value, field="history.u_value") ** 2)
        precision += own
        weighted += own * checked(run.value, field="history.value", maximum=2.0)
    return EfficiencyPrior(
        mean=weighted / precision,
        u_mean=precision**-0.5,
        u_next_run=math.hypot(precision**-0.5, house.sd_between_runs),
        own_weight=1.0 - house_precision / precision,
        runs=len(history),
    )
