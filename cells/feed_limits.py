"""What is on hand, what a charge must keep to, and what its maker would like: the feed planner's
terms, in micrograms, and which of them are refused.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from cells.electrochemistry.checked_numbers import checked
from config.refusals import InvalidError
from lots.elements import METALS

Limit = Literal["basket_min", "basket_max", "copper_max", "palladium_max", "lots_max"]


@dataclass(frozen=True)
class GranuleLot:
    """A lot on hand: mass and content in micrograms, days waiting, days until it is due (or None).

    `whole_only` takes all of it or none; `take_ug_min` is the least worth taking at all.
    """

    lot: str
    owner: str
    mass_ug: int
    content_ug: Mapping[str, int]
    age_days: int = 0
    due_in_days: int | None = None
    whole_only: bool = False
    take_ug_min: int = 0


@dataclass(frozen=True)
class FeedLimits:
    """What the charge must keep to, in micrograms.

    `copper_room_ug` is the copper the electrolyte can take up without a bleed (no more than
    `copper_ug_max`, and equal to it when None); what is above is bled at `bleed_g_per_l`.
    """

    basket_ug_min: int
    basket_ug_max: int
    copper_ug_max: int
    palladium_ug_max: int
    copper_room_ug: int | None = None
    bleed_g_per_l: float = 60.0
    lots_max: int | None = None


@dataclass(frozen=True)
class FeedWishes:
    """What is worth what, in days that one gram has waited. Choices of the works; no source.

    A gram charged is worth `fill_days` plus its age, plus up to `due_days` growing from nothing at
    `due_horizon_days` before the due day to all of it on the day, and on beyond it to twice that.
    A gram of copper to be bled costs `bleed_days`. Masses are planned in steps of `step_ug`.
    """

    fill_days: float = 30.0
    due_days: float = 180.0
    due_horizon_days: float = 30.0
    bleed_days: float = 1_000.0
    step_ug: int = 10_000


def metal_fraction(lot: GranuleLot, metal: str) -> float:
    """Micrograms of the metal in a microgram of the lot."""
    return lot.content_ug.get(metal, 0) / lot.mass_ug


def copper_room_ug_of(limits: FeedLimits) -> int:
    """Copper that goes into solution without a bleed, micrograms."""
    return limits.copper_ug_max if limits.copper_room_ug is None else limits.copper_room_ug


def least_take_ug(lot: GranuleLot, wishes: FeedWishes) -> int:
    """The least taken of a lot that is taken at all: all of it when it is lighter than that."""
    if lot.whole_only:
        return lot.mass_ug
    in_steps = -(-lot.take_ug_min // wishes.step_ug) * wishes.step_ug
    return min(lot.mass_ug, in_steps)


def worth_days(lot: GranuleLot, wishes: FeedWishes) -> float:
    """What a gram of the lot is worth in the charge, in days waited."""
    worth = wishes.fill_days + lot.age_days
    if lot.due_in_days is None:
        return worth
    nearness = 1.0 - lot.due_in_days / wishes.due_horizon_days
    return worth + wishes.due_days * min(max(nearness, 0.0), 2.0)


def check_terms(lots: Sequence[GranuleLot], limits: FeedLimits, wishes: FeedWishes) -> None:
    """Refuse what no charge could be planned from; raises InvalidError as `plan_feed` says."""
    names = [lot.lot for lot in lots]
    for lot in lots:
        if names.count(lot.lot) > 1:
            raise _refusal("A lot is listed twice.", "duplicate", "lots", lot.lot)
        checked(lot.mass_ug, field="mass_ug", above=True)
        checked(lot.take_ug_min, field="take_ug_min")
        checked(lot.age_days, field="age_days")
        for metal, content_ug in lot.content_ug.items():
            if metal not in METALS:
                raise _refusal("This metal is not followed.", "unknown_metal", "content_ug", metal)
            checked(content_ug, field="content_ug")
        if sum(lot.content_ug.values()) > lot.mass_ug:
            raise _refusal(
                "A lot's metals weigh more than the lot.",
                "content_above_mass",
                "content_ug",
                lot.lot,
            )
    for name in ("basket_ug_min", "copper_ug_max", "palladium_ug_max"):
        checked(getattr(limits, name), field=name)
    checked(limits.basket_ug_max, field="basket_ug_max", above=True)
    checked(limits.bleed_g_per_l, field="bleed_g_per_l", above=True)
    if limits.basket_ug_min > limits.basket_ug_max:
        raise _refusal(
            "The basket's least mass is above its most.",
            "limits_reversed",
            "basket_ug_min",
            limits.basket_ug_min,
        )
    if limits.copper_room_ug is not None:
        checked(limits.copper_room_ug, field="copper_room_ug", maximum=limits.copper_ug_max)
    if limits.lots_max is not None:
        checked(limits.lots_max, field="lots_max", minimum=1)
    for name in ("fill_days", "due_days", "bleed_days"):
        checked(getattr(wishes, name), field=name)
    checked(wishes.due_horizon_days, field="due_horizon_days", above=True)
    checked(wishes.step_ug, field="step_ug", minimum=1)


def _refusal(message: str, code: str, name: str, value: object) -> InvalidError:
    return InvalidError(
        message, code=code, field=name, value=value, remedy="Correct the list and plan again."
    )
