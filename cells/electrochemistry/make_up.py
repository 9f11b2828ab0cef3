"""What to add to an electrolyte, how often it can be used again, and what to bleed from it.

Volumes are taken to add up and dissolved salts to take no room: weigh and measure, then fill to the
mark. The plan is a plan; what is posted is what was weighed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from cells.electrochemistry.checked_numbers import checked
from cells.electrochemistry.estimated import COVERAGE_FACTOR, Estimate
from cells.electrochemistry.nitric_acid import acid_volume_ml
from cells.electrochemistry.stoichiometry import (
    DILUTE,
    cement_silver,
    dissolve_metal,
    nitrate_for_silver_g,
)
from config.refusals import refuse
from lots.elements import ATOMIC_WEIGHTS

ML_PER_L: Final = 1000.0
# Differences below these are rounding: a milligram of silver, a millimole of acid, a tenth of a mL.
SILVER_G_STEP: Final = 1e-3
ACID_MOL_STEP: Final = 1e-3
VOLUME_L_STEP: Final = 1e-4
USES_MAX: Final = 1_000_000


@dataclass(frozen=True)
class Solution:
    """An electrolyte as it stands: litres, grams of silver and copper, moles of free acid."""

    volume_l: float = 0.0
    silver_g: float = 0.0
    copper_g: float = 0.0
    acid_mol: float = 0.0

    def __post_init__(self) -> None:
        for name in ("volume_l", "silver_g", "copper_g", "acid_mol"):
            checked(getattr(self, name), field=name)
        if self.volume_l == 0.0 and max(self.silver_g, self.copper_g, self.acid_mol) > 0.0:
            checked(self.volume_l, field="volume_l", above=True)


@dataclass(frozen=True)
class Target:
    """What the electrolyte shall be: litres, g/L of silver, mol/L of free nitric acid."""

    volume_l: float
    silver_g_per_l: float
    acid_mol_per_l: float

    def __post_init__(self) -> None:
        checked(self.volume_l, field="target.volume_l", above=True)
        checked(self.silver_g_per_l, field="target.silver_g_per_l")
        checked(self.acid_mol_per_l, field="target.acid_mol_per_l")


@dataclass(frozen=True)
class Route:
    """One way to the target: what to weigh and measure, and the gases it gives off.

    `silver_g` is fine silver to dissolve, `nitrate_g` dry silver nitrate instead of it; `acid_ml`
    includes what stays free. `fits` is false when the acid alone is more than there is room for,
    and `water_ml` is then 0.
    """

    name: str
    silver_g: float
    nitrate_g: float
    acid_ml: float
    water_ml: float
    nitrogen_monoxide_mol: float
    nitrogen_dioxide_mol: float
    fits: bool


@dataclass(frozen=True)
class MakeUp:
    """The ways to one target: both reactions, the point chosen between, and silver nitrate.

    `copper_g_per_l` is the copper after the make-up, which it thins but does not remove.
    """

    chosen: Route
    dilute: Route
    concentrated: Route
    nitrate: Route
    copper_g_per_l: float


@dataclass(frozen=True)
class UsesLeft:
    """Whole uses until the copper limit, and within the 95 % interval; None without an end.

    `copper_g_per_l_then` is the copper after the last of them.
    """

    uses: int | None
    uses_low: int | None
    uses_high: int | None
    copper_g_per_l_then: float | None


@dataclass(frozen=True)
class Bleed:
    """A volume taken out, what leaves with it, and its cementation.

    `copper_for_silver_g` is what the silver takes; `copper_for_acid_g` is the most that the free
    acid may dissolve besides; `silver_back_g` is expected to settle as cement silver.
    """

    volume_l: float
    silver_g: float
    copper_g: float
    acid_mol: float
    copper_for_silver_g: float
    copper_for_acid_g: float
    silver_back_g: float


def plan_make_up(
    now: Solution, target: Target, *, acid_percent: float, concentrated_share: float
) -> MakeUp:
    """What brings `now` to `target` with nitric acid of `acid_percent` % by weight and water.

    `concentrated_share` (0 to 1) is the part of the silver that dissolves by the reaction to
    nitrogen dioxide, the rest by that to nitrogen monoxide. Raises InvalidError `needs_removal`
    when the electrolyte holds more silver, acid or volume than the target, `no_room` when the
    chosen acid does not fit, or what `dissolve_metal` and `checked` raise.
    Source: the balanced equations and the density table in `stoichiometry` and `nitric_acid`.
    """
    need = _Need(
        silver_g=_missing(
            "silver_g", target.silver_g_per_l * target.volume_l, now.silver_g, SILVER_G_STEP, now
        ),
        free_mol=_missing(
            "acid_mol", target.acid_mol_per_l * target.volume_l, now.acid_mol, ACID_MOL_STEP, now
        ),
        room_ml=ML_PER_L * _missing("volume_l", target.volume_l, now.volume_l, VOLUME_L_STEP, now),
        acid_percent=acid_percent,
    )
    chosen = _dissolving("chosen", need, concentrated_share)
    if not chosen.fits:
        raise refuse(
            "no_room",
            field="target.volume_l",
            value=target.volume_l,
            acid_ml=chosen.acid_ml,
            room_ml=need.room_ml,
        )
    return MakeUp(
        chosen=chosen,
        dilute=_dissolving("dilute", need, 0.0),
        concentrated=_dissolving("concentrated", need, 1.0),
        nitrate=_nitrate(need),
        copper_g_per_l=now.copper_g / target.volume_l,
    )


@dataclass(frozen=True)
class _Need:
    silver_g: float
    free_mol: float
    room_ml: float
    acid_percent: float

    def fits(self, acid_ml: float) -> bool:
        return acid_ml <= self.room_ml + VOLUME_L_STEP * ML_PER_L


def _dissolving(name: str, need: _Need, concentrated_share: float) -> Route:
    taken = dissolve_metal(
        "Ag",
        need.silver_g,
        acid_percent=need.acid_percent,
        concentrated_share=concentrated_share,
    )
    acid_ml = taken.acid_ml + acid_volume_ml(need.free_mol, need.acid_percent)
    return Route(
        name=name,
        silver_g=need.silver_g,
        nitrate_g=0.0,
        acid_ml=acid_ml,
        water_ml=max(0.0, need.room_ml - acid_ml),
        nitrogen_monoxide_mol=taken.nitrogen_monoxide_mol,
        nitrogen_dioxide_mol=taken.nitrogen_dioxide_mol,
        fits=need.fits(acid_ml),
    )


def _nitrate(need: _Need) -> Route:
    acid_ml = acid_volume_ml(need.free_mol, need.acid_percent)
    return Route(
        name="nitrate",
        silver_g=0.0,
        nitrate_g=nitrate_for_silver_g(need.silver_g),
        acid_ml=acid_ml,
        water_ml=max(0.0, need.room_ml - acid_ml),
        nitrogen_monoxide_mol=0.0,
        nitrogen_dioxide_mol=0.0,
        fits=need.fits(acid_ml),
    )


def _missing(name: str, wanted: float, held: float, step: float, now: Solution) -> float:
    """What is still to be added; refuses when there is too much of it already."""
    missing = wanted - held
    if missing >= -step:
        return max(0.0, missing)
    bleed_l = now.volume_l * (1.0 - wanted / held)
    labels = {"silver_g": "silver", "acid_mol": "free acid", "volume_l": "volume"}
    raise refuse(
        "needs_removal",
        field=name,
        value=f"{held:.4g} held, {wanted:.4g} wanted",
        labels=labels[name],
        bleed_l=bleed_l,
    )


def uses_left(
    now: Solution, *, copper_per_use_g: Estimate, copper_limit_g_per_l: float
) -> UsesLeft:
    """How many more uses the volume has until its copper would pass the limit.

    `copper_per_use_g` is what the usual feed brings; its uncertainty is read as common to all uses,
    as when the usual feed is richer than thought. Raises InvalidError `too_small`.
    """
    checked(now.volume_l, field="volume_l", above=True)
    limit = checked(copper_limit_g_per_l, field="copper_limit_g_per_l", above=True)
    room_g = max(0.0, limit * now.volume_l - now.copper_g)
    spread = COVERAGE_FACTOR * copper_per_use_g.u
    uses = _whole_uses(room_g, copper_per_use_g.value)
    then = None if uses is None else now.copper_g + uses * copper_per_use_g.value
    return UsesLeft(
        uses=uses,
        uses_low=_whole_uses(room_g, copper_per_use_g.value + spread),
        uses_high=_whole_uses(room_g, copper_per_use_g.value - spread),
        copper_g_per_l_then=None if then is None else then / now.volume_l,
    )


def _whole_uses(room_g: float, per_use_g: float) -> int | None:
    if per_use_g <= 0.0 or room_g / per_use_g > USES_MAX:
        return None
    # A use that reaches the limit exactly is still a use.
    return math.floor(room_g / per_use_g + 1e-9)


def steady_bleed(
    now: Solution,
    *,
    copper_per_use_g: float,
    hold_g_per_l: float,
    cement_recovery: float = 0.99,
) -> Bleed:
    """The volume to bleed after every use so that copper never passes `hold_g_per_l`.

    At the steady state each use brings what each bleed removes: volume times level equals copper
    per use. Silver and acid are those of `now`. Raises InvalidError `too_small`, or `cannot_hold`
    when one use brings more copper than the whole volume holds at that level.
    """
    checked(now.volume_l, field="volume_l", above=True)
    copper = checked(copper_per_use_g, field="copper_per_use_g")
    litres = copper / checked(hold_g_per_l, field="hold_g_per_l", above=True)
    if litres > now.volume_l:
        raise refuse("cannot_hold", field="hold_g_per_l", value=hold_g_per_l)
    return _bleed(now, litres, copper_g=copper, cement_recovery=cement_recovery)


def plan_bleed(now: Solution, *, volume_l: float, cement_recovery: float = 0.99) -> Bleed:
    """What leaves with `volume_l` litres of `now`, and its cementation.

    `cement_recovery` is the part of the silver that settles (0.99: common practice, no source).
    Raises InvalidError `too_small`, or `too_large` when there is not so much.
    """
    litres = checked(volume_l, field="volume_l", maximum=now.volume_l)
    share = litres / now.volume_l if litres > 0.0 else 0.0
    return _bleed(now, litres, copper_g=share * now.copper_g, cement_recovery=cement_recovery)


def _bleed(now: Solution, litres: float, *, copper_g: float, cement_recovery: float) -> Bleed:
    recovered = checked(cement_recovery, field="cement_recovery", maximum=1.0)
    share = litres / now.volume_l if litres > 0.0 else 0.0
    silver_g, acid_mol = share * now.silver_g, share * now.acid_mol
    return Bleed(
        volume_l=litres,
        silver_g=silver_g,
        copper_g=copper_g,
        acid_mol=acid_mol,
        copper_for_silver_g=cement_silver(silver_g).copper_g,
        copper_for_acid_g=acid_mol / DILUTE["Cu"].acid * float(ATOMIC_WEIGHTS["Cu"].value),
        silver_back_g=recovered * silver_g,
    )
