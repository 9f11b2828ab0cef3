"""Which granules, and how much of each, go into the next charge?

A mixed-integer linear programme (scipy's HiGHS) fills the basket, keeps copper and palladium under
their limits, prefers old and due lots and avoids bleeding; where nothing fits it says which limit
to move and by how much.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

from cells.feed_limits import (
    FeedLimits,
    FeedWishes,
    GranuleLot,
    Limit,
    check_terms,
    copper_room_ug_of,
)
from cells.feed_programme import UG_PER_G, Programme
from lots.elements import METALS
from lots.units import proportion_ug

ATTEMPTS_MAX: Final = 6


@dataclass(frozen=True)
class Take:
    """How much to take of a lot and what that brings, micrograms."""

    lot: str
    owner: str
    mass_ug: int
    content_ug: Mapping[str, int]
    whole: bool


@dataclass(frozen=True)
class Remedy:
    """Moving this limit alone, by this much (micrograms, or lots), makes a plan possible."""

    limit: Limit
    by: int
    message: str


@dataclass(frozen=True)
class FeedPlan:
    """The charge planned, or what stands in its way.

    "undecided" means that the search ended at its bound with nothing found either way.
    `tight` names the limits the plan runs up against. `proven_best` is false when the search ended
    at its bound with a plan that keeps every limit but may not be the best. `remedies` are given
    when infeasible, each enough by itself.
    """

    state: Literal["planned", "infeasible", "undecided"]
    takes: tuple[Take, ...] = ()
    mass_ug: int = 0
    content_ug: Mapping[str, int] = field(default_factory=dict)
    owners_ug: Mapping[str, int] = field(default_factory=dict)
    bled_copper_ug: int = 0
    bleed_volume_l: float = 0.0
    tight: tuple[Limit, ...] = ()
    proven_best: bool = True
    remedies: tuple[Remedy, ...] = ()


def plan_feed(
    lots: Sequence[GranuleLot], limits: FeedLimits, wishes: FeedWishes | None = None
) -> FeedPlan:
    """The best charge from `lots` within `limits`; the order in which lots are listed is no matter.

    All copper taken is counted as dissolving. Masses other than whole lots are rounded down to the
    step, so `basket_ug_min` and no other limit may be missed, by less than a step for each lot.
    Lots lighter than a step are left out, and whole lots that meet a limit to within ten micrograms
    may be passed over. Raises InvalidError `duplicate`, `content_above_mass`, `unknown_metal`,
    `limits_reversed`, or those of `checked`.
    """
    wishes = wishes or FeedWishes()
    check_terms(lots, limits, wishes)
    ordered = sorted(
        (lot for lot in lots if lot.mass_ug >= wishes.step_ug), key=lambda lot: lot.lot
    )
    plan = _search(ordered, limits, wishes)
    if plan.state == "infeasible":
        return replace(plan, remedies=_remedies(ordered, limits, wishes))
    return plan


def _search(lots: Sequence[GranuleLot], limits: FeedLimits, wishes: FeedWishes) -> FeedPlan:
    programme = Programme(lots, limits, wishes)
    margin_g = 0.0
    for _ in range(ATTEMPTS_MAX):
        solution = programme.solve(margin_g)
        if solution.grams is None:
            break
        masses_ug, excess_ug = _round_within(solution.grams, lots, limits, wishes)
        if excess_ug == 0:
            return _plan(lots, masses_ug, limits, solution.proven)
        # The solver overran a limit within its tolerance: the limits are drawn in by as much.
        margin_g = 2.0 * margin_g + 2.0 * excess_ug / UG_PER_G + 1e-6
    if solution.bound_reached:
        return FeedPlan(state="undecided", proven_best=False)
    return FeedPlan(state="infeasible")


def _round_within(
    grams: Sequence[float], lots: Sequence[GranuleLot], limits: FeedLimits, wishes: FeedWishes
) -> tuple[list[int], int]:
    """Micrograms in whole lots and whole steps, and by how much they exceed the upper limits."""
    near_ug = wishes.step_ug / 100
    masses = []
    for lot, gram in zip(lots, grams, strict=True):
        ug = gram * UG_PER_G
        if ug >= lot.mass_ug - near_ug or (lot.whole_only and ug > 0.0):
            masses.append(lot.mass_ug)
        else:
            masses.append(math.floor((ug + near_ug) / wishes.step_ug) * wishes.step_ug)
    excess_ug = max(
        0,
        sum(masses) - limits.basket_ug_max,
        _brought_in(lots, masses, "Cu") - limits.copper_ug_max,
        _brought_in(lots, masses, "Pd") - limits.palladium_ug_max,
    )
    return masses, excess_ug


def _brought_in(lots: Sequence[GranuleLot], masses: Sequence[int], metal: str) -> int:
    return sum(
        proportion_ug(lot.content_ug.get(metal, 0), mass, lot.mass_ug)
        for lot, mass in zip(lots, masses, strict=True)
    )


def _plan(
    lots: Sequence[GranuleLot], masses: Sequence[int], limits: FeedLimits, proven: bool
) -> FeedPlan:
    content = {metal: _brought_in(lots, masses, metal) for metal in METALS}
    owners: defaultdict[str, int] = defaultdict(int)
    takes = []
    for lot, mass in zip(lots, masses, strict=True):
        if mass == 0:
            continue
        owners[lot.owner] += mass
        parts = {
            metal: proportion_ug(whole, mass, lot.mass_ug)
            for metal, whole in lot.content_ug.items()
        }
        takes.append(Take(lot.lot, lot.owner, mass, parts, whole=mass == lot.mass_ug))
    bled_ug = max(0, content["Cu"] - copper_room_ug_of(limits))
    return FeedPlan(
        state="planned",
        takes=tuple(takes),
        mass_ug=sum(masses),
        content_ug=content,
        owners_ug=dict(sorted(owners.items())),
        bled_copper_ug=bled_ug,
        bleed_volume_l=bled_ug / UG_PER_G / limits.bleed_g_per_l,
        tight=_tight(sum(masses), content, len(takes), limits),
        proven_best=proven,
    )


def _tight(
    mass_ug: int, content_ug: Mapping[str, int], used: int, limits: FeedLimits
) -> tuple[Limit, ...]:
    """Limits within a thousandth of being reached."""
    found: list[Limit] = []
    if mass_ug <= limits.basket_ug_min * 1.001:
        found.append("basket_min")
    if mass_ug >= limits.basket_ug_max * 0.999:
        found.append("basket_max")
    if content_ug["Cu"] >= limits.copper_ug_max * 0.999:
        found.append("copper_max")
    if content_ug["Pd"] >= limits.palladium_ug_max * 0.999:
        found.append("palladium_max")
    if limits.lots_max is not None and used >= limits.lots_max:
        found.append("lots_max")
    return tuple(found)


_REMEDY_TEXT: Final[dict[Limit, str]] = {
    "basket_min": "Accept a basket {by} lighter.",
    "basket_max": "Use a basket that holds {by} more.",
    "copper_max": "Allow {by} more copper, by a bleed or fresh electrolyte.",
    "palladium_max": "Allow {by} more palladium.",
    "lots_max": "Allow {by} more in the charge.",
}


def _remedies(
    lots: Sequence[GranuleLot], limits: FeedLimits, wishes: FeedWishes
) -> tuple[Remedy, ...]:
    """Each limit that is enough to move by itself, shown to be so by a plan with it moved."""
    programme = Programme(lots, limits, wishes)
    found = []
    for limit, text in _REMEDY_TEXT.items():
        excess = programme.least_excess(limit)
        if excess is None:
            continue
        if limit == "lots_max":
            by = round(excess)
            amount = f"{by} lots"
        else:
            # To the next milligram, by way of ten micrograms that clear the solver's tolerance.
            by = math.ceil((excess * UG_PER_G + 10) / 1_000) * 1_000
            amount = f"{by / UG_PER_G:.3f} g"
        if _search(lots, _moved(limits, limit, by), wishes).state == "planned":
            found.append(Remedy(limit=limit, by=by, message=text.format(by=amount)))
    return tuple(found)


def _moved(limits: FeedLimits, limit: Limit, by: int) -> FeedLimits:
    if limit == "basket_min":
        return replace(limits, basket_ug_min=max(0, limits.basket_ug_min - by))
    if limit == "basket_max":
        return replace(limits, basket_ug_max=limits.basket_ug_max + by)
    if limit == "copper_max":
        return replace(limits, copper_ug_max=limits.copper_ug_max + by)
    if limit == "palladium_max":
        return replace(limits, palladium_ug_max=limits.palladium_ug_max + by)
    return replace(limits, lots_max=None if limits.lots_max is None else limits.lots_max + by)
