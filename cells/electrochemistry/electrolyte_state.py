"""What is in the bowl now: the electrolyte's metals, acid and volume through a run, and how sure.

The anode dissolves congruently, so between two events every mass is linear in the charge and the
step is exact for a charge of any size. What was assumed of the run (efficiency, anode assay,
evaporation) is part of the state, so an assay of the electrolyte corrects it too.

Modelling choices: free acid is neither made nor used by the ideal cell, so only additions and bleed
change it; evaporation takes water alone; metals not followed are counted by their charge only.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal, TypeVar

import numpy as np

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.current_series import FloatArray
from cells.electrochemistry.electrolysis import (
    ELECTRONS_MOL_PER_AH,
    ELECTRONS_MOL_PER_G,
    SILVER_G_PER_AH,
    AnodeComposition,
)
from config.refusals import refuse

# The order of the state. The first five are the electrolyte, the next two the electrodes, and the
# rest what is assumed of the run and learnt from assays.
SILVER, COPPER, PALLADIUM, ACID, VOLUME, CONSUMED, PLATED = range(7)
SCALE, ANODE_SILVER, ANODE_COPPER, ANODE_PALLADIUM, EVAPORATION = range(7, 12)
ELECTROLYTE_SIZE: Final = 5
MOVING_SIZE: Final = 7
STATE_SIZE: Final = 12
ROUNDING: Final = 1e-9
COVERAGE_FACTOR: Final = 1.959963984540054  # two-sided 95 % of the normal distribution


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty, both in the unit of the name that carries it."""

    value: float
    u: float = 0.0

    def __post_init__(self) -> None:
        checked(self.value, field="value")
        checked(self.u, field="u")

    @property
    def interval_95(self) -> tuple[float, float]:
        """The 95 % interval of the normal distribution, cut off at zero."""
        half = COVERAGE_FACTOR * self.u
        return max(0.0, self.value - half), self.value + half


@dataclass(frozen=True)
class AnodeCharge:
    """The anode at the start of a run: mass in grams, composition, and how sure its assay is.

    `u_silver`, `u_copper` and `u_palladium` are standard uncertainties of the mass fractions that
    dissolve (for palladium: of fraction times the part dissolving).
    """

    mass_g: float
    composition: AnodeComposition
    u_silver: float = 0.0
    u_copper: float = 0.0
    u_palladium: float = 0.0

    def __post_init__(self) -> None:
        checked(self.mass_g, field="anode.mass_g", above=True)
        for name in ("u_silver", "u_copper", "u_palladium"):
            checked(getattr(self, name), field=f"anode.{name}", maximum=1.0)


@dataclass(frozen=True)
class RunAssumptions:
    """Current efficiency, the ammeter's relative uncertainty, and water lost per hour.

    `u_gain` is what all readings of the run share: `Ammeter.relative_u`.
    """

    efficiency: Estimate
    u_gain: float = 0.01
    evaporation_l_per_h: Estimate = field(default_factory=lambda: Estimate(0.0))

    def __post_init__(self) -> None:
        checked(self.efficiency.value, field="efficiency", maximum=1.1, above=True)
        checked(self.u_gain, field="u_gain")


@dataclass(frozen=True)
class Stop:
    """Why the cell has nothing more to do, and after how many hours of the run."""

    reason: Literal["anode_exhausted", "silver_exhausted"]
    after_h: float


@dataclass(frozen=True, eq=False)
class Electrolyte:
    """Masses (g), free acid (mol) and volume (L) of an electrolyte, with their covariance."""

    mean: FloatArray
    covariance: FloatArray

    def estimate(self, index: int) -> Estimate:
        """The quantity at `index` (SILVER, COPPER, ...) with its standard uncertainty."""
        variance = float(self.covariance[index, index])
        return Estimate(float(self.mean[index]), max(0.0, variance) ** 0.5)

    def concentration(self, index: int) -> Estimate:
        """g/L of SILVER, COPPER or PALLADIUM, or mol/L of ACID, its tie to the volume included."""
        value, row = _concentration(self, index)
        return Estimate(value, max(0.0, float(row @ self.covariance @ row)) ** 0.5)


@dataclass(frozen=True, eq=False)
class RunState(Electrolyte):
    """The electrolyte of a run under way, with its electrodes and what is assumed of the run."""

    anode: AnodeCharge
    hours: float = 0.0
    charge_ah: float = 0.0
    stop: Stop | None = None

    @property
    def electrolyte(self) -> Electrolyte:
        """The electrolyte alone, to carry into the next run."""
        part = slice(0, ELECTROLYTE_SIZE)
        return Electrolyte(self.mean[part].copy(), self.covariance[part, part].copy())

    @property
    def anode_left_g(self) -> Estimate:
        """The anode not yet consumed, in grams, slimes left out."""
        consumed = self.estimate(CONSUMED)
        return Estimate(max(0.0, self.anode.mass_g - consumed.value), consumed.u)


@dataclass(frozen=True)
class Addition:
    """What is poured in: volume in litres, silver and copper in grams, free acid in moles."""

    volume_l: Estimate = field(default_factory=lambda: Estimate(0.0))
    silver_g: Estimate = field(default_factory=lambda: Estimate(0.0))
    copper_g: Estimate = field(default_factory=lambda: Estimate(0.0))
    acid_mol: Estimate = field(default_factory=lambda: Estimate(0.0))


@dataclass(frozen=True)
class ElectrolyteAssay:
    """An assay of the electrolyte: g/L of metals and mol/L of free acid; None was not determined.

    The errors of its figures are taken as independent of each other.
    """

    silver_g_per_l: Estimate | None = None
    copper_g_per_l: Estimate | None = None
    palladium_g_per_l: Estimate | None = None
    acid_mol_per_l: Estimate | None = None


AnyState = TypeVar("AnyState", bound=Electrolyte)


def electrolyte_from_assay(assay: ElectrolyteAssay, volume_l: Estimate) -> Electrolyte:
    """The electrolyte of a measured volume; what was not determined is taken as none.

    Raises InvalidError `too_small` when the volume is zero. Source: JCGM 100 (GUM) 5.1.
    """
    litres = checked(volume_l.value, field="volume_l", above=True)
    figures = [found or Estimate(0.0) for found in _figures(assay)]
    per_l = np.array([*(figure.value for figure in figures), 1.0])
    own_u = np.array([*(figure.u for figure in figures), 0.0])
    covariance = np.diag((litres * own_u) ** 2) + np.outer(per_l, per_l) * volume_l.u**2
    return Electrolyte(mean=litres * per_l, covariance=covariance)


def begin_run(electrolyte: Electrolyte, anode: AnodeCharge, assumed: RunAssumptions) -> RunState:
    """The state at the start of a run: this electrolyte, a fresh anode, nothing plated."""
    mean, covariance = np.zeros(STATE_SIZE), np.zeros((STATE_SIZE, STATE_SIZE))
    mean[:ELECTROLYTE_SIZE] = electrolyte.mean
    covariance[:ELECTROLYTE_SIZE, :ELECTROLYTE_SIZE] = electrolyte.covariance
    made_of = anode.composition
    palladium = made_of.palladium * made_of.palladium_dissolving
    mean[SCALE:] = (
        assumed.efficiency.value,
        made_of.silver,
        made_of.copper,
        palladium,
        assumed.evaporation_l_per_h.value,
    )
    u_scale = np.hypot(assumed.efficiency.u, assumed.efficiency.value * assumed.u_gain)
    u_assumed = (u_scale, anode.u_silver, anode.u_copper, anode.u_palladium)
    covariance[SCALE:, SCALE:] = np.diag([*u_assumed, assumed.evaporation_l_per_h.u]) ** 2
    return RunState(mean=mean, covariance=covariance, anode=anode)


def step(state: RunState, *, charge_ah: float, hours: float, u_charge_ah: float = 0.0) -> RunState:
    """The state after `charge_ah` ampere-hours passed in `hours` hours at a steady current.

    `u_charge_ah` is the charge's random standard uncertainty, independent of other steps and shared
    over the step by charge; gain and efficiency are already in the state. When the anode or the
    electrolyte's silver is used up, the charge that is left moves nothing and `stop` says when.
    Covariance is to first order (GUM 5.1). Raises InvalidError `too_small`, `not_a_number`,
    `nothing_dissolves` or `electrolyte_dry`.
    """
    charge = checked(charge_ah, field="charge_ah")
    duration_h = checked(hours, field="hours")
    u_charge = checked(u_charge_ah, field="u_charge_ah")
    room_ah, reason = charge_room(state)
    stop = state.stop if room_ah <= ROUNDING else None
    if charge > room_ah and stop is None:
        stop = Stop(reason, state.hours + duration_h * room_ah / charge)
    working_ah = min(charge, room_ah)
    rates, slopes = rates_per_ah(state)
    moved = slice(0, MOVING_SIZE)
    mean, jacobian = state.mean.copy(), np.eye(STATE_SIZE)
    mean[moved] += working_ah * rates
    jacobian[moved, SCALE:EVAPORATION] = working_ah * slopes
    mean[VOLUME] -= duration_h * mean[EVAPORATION]
    jacobian[VOLUME, EVAPORATION] = -duration_h
    require_liquid(float(mean[VOLUME]))
    covariance = jacobian @ state.covariance @ jacobian.T
    if charge > 0.0:
        covariance[moved, moved] += np.outer(rates, rates) * u_charge**2 * working_ah / charge
    return replace(
        state,
        # Rounding may leave a mass a hair below zero at the moment it is used up.
        mean=np.maximum(mean, 0.0),
        covariance=covariance,
        hours=state.hours + duration_h,
        charge_ah=state.charge_ah + charge,
        stop=stop,
    )


def rates_per_ah(state: RunState) -> tuple[FloatArray, FloatArray]:
    """Change of the seven moving quantities per ampere-hour counted, and its slopes.

    The slopes are by SCALE and the anode's dissolving fractions of silver, copper and palladium.
    Raises InvalidError `nothing_dissolves` when measurements have left nothing to dissolve.
    Source: charge balance and congruent dissolution, as in `cells.electrochemistry.electrolysis`.
    """
    scale = float(state.mean[SCALE])
    fractions = state.mean[ANODE_SILVER:EVAPORATION]
    electrons = np.array([ELECTRONS_MOL_PER_G[metal] for metal in ("Ag", "Cu", "Pd")])
    per_g = float(fractions @ electrons) + state.anode.composition.other_electrons_mol_per_g
    if per_g * scale <= 0.0:
        raise refuse("nothing_dissolves:electrolyte_state", field="assay")
    consumed_g = ELECTRONS_MOL_PER_AH / per_g
    consumed_slope = -consumed_g * electrons / per_g
    plating_rates = np.zeros(MOVING_SIZE)
    plating_rates[SILVER : PALLADIUM + 1] = consumed_g * fractions
    plating_rates[SILVER] -= SILVER_G_PER_AH
    plating_rates[CONSUMED], plating_rates[PLATED] = consumed_g, SILVER_G_PER_AH
    slopes = np.zeros((MOVING_SIZE, 4))
    slopes[:, 0] = plating_rates
    metals = slice(SILVER, PALLADIUM + 1)
    slopes[metals, 1:] = np.outer(fractions, consumed_slope) + consumed_g * np.eye(3)
    slopes[CONSUMED, 1:] = consumed_slope
    slopes[:, 1:] *= scale
    return scale * plating_rates, slopes


def charge_room(state: RunState) -> tuple[float, Literal["anode_exhausted", "silver_exhausted"]]:
    """Ampere-hours until the anode or the electrolyte's silver is used up, and which comes first.

    Raises InvalidError `nothing_dissolves`.
    """
    rates, _ = rates_per_ah(state)
    left_g = max(0.0, state.anode.mass_g - float(state.mean[CONSUMED]))
    anode_ah = left_g / float(rates[CONSUMED])
    loss_g = -float(rates[SILVER])
    # With a pure silver anode the electrolyte loses nothing but rounding.
    if loss_g > ROUNDING * SILVER_G_PER_AH:
        silver_ah = float(state.mean[SILVER]) / loss_g
        if silver_ah < anode_ah:
            return silver_ah, "silver_exhausted"
    return anode_ah, "anode_exhausted"


def require_liquid(volume_l: float) -> None:
    """Refuse an electrolyte that would have dried up: InvalidError `electrolyte_dry`."""
    if not volume_l > 0.0:
        raise refuse("electrolyte_dry", field="hours", value=f"{volume_l:.3f} L")


def add(state: AnyState, addition: Addition) -> AnyState:
    """The state after water, crystal or acid has been added; volumes are taken to add up."""
    poured = {
        SILVER: addition.silver_g,
        COPPER: addition.copper_g,
        ACID: addition.acid_mol,
        VOLUME: addition.volume_l,
    }
    mean, covariance = state.mean.copy(), state.covariance.copy()
    for index, amount in poured.items():
        mean[index] += amount.value
        covariance[index, index] += amount.u**2
    return replace(state, mean=mean, covariance=covariance)


def bleed(state: AnyState, volume_l: Estimate) -> AnyState:
    """The state after `volume_l` litres have been taken out, well mixed.

    Raises InvalidError `too_large` when that is all there is, or more.
    """
    litres, whole_l = volume_l.value, float(state.mean[VOLUME])
    checked(litres, field="volume_l", maximum=float(np.nextafter(whole_l, 0.0)))
    held = slice(0, VOLUME)
    mean, jacobian = state.mean.copy(), np.eye(len(state.mean))
    mean[held] *= 1.0 - litres / whole_l
    mean[VOLUME] -= litres
    jacobian[held, held] *= 1.0 - litres / whole_l
    jacobian[held, VOLUME] = state.mean[held] * litres / whole_l**2
    by_bleed = np.zeros(len(state.mean))
    by_bleed[held], by_bleed[VOLUME] = -state.mean[held] / whole_l, -1.0
    covariance = jacobian @ state.covariance @ jacobian.T
    covariance += np.outer(by_bleed, by_bleed) * volume_l.u**2
    return replace(state, mean=mean, covariance=covariance)


def _figures(assay: ElectrolyteAssay) -> Sequence[Estimate | None]:
    return (
        assay.silver_g_per_l,
        assay.copper_g_per_l,
        assay.palladium_g_per_l,
        assay.acid_mol_per_l,
    )


def _concentration(state: Electrolyte, index: int) -> tuple[float, FloatArray]:
    volume_l, amount = float(state.mean[VOLUME]), float(state.mean[index])
    row = np.zeros(len(state.mean))
    row[index], row[VOLUME] = 1.0 / volume_l, -amount / volume_l**2
    return amount / volume_l, row
