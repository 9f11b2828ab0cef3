"""How a change of what a lot was made with follows the metal that has moved on since.

A lot is taken to be of even composition (common practice, no source), so each portion that left
carries its share, by what went out against what was there. All shares are whole micrograms and sum
to the change exactly.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

from lots.units import share_ug

Target = TypeVar("Target")


@dataclass(frozen=True)
class Leg:
    """One movement as one lot saw it: what the lot gained (positive) or gave (negative)."""

    metals: Mapping[str, int]
    mass_ug: int = 0
    volume_ul: int = 0


@dataclass(frozen=True)
class Step:
    """`part` of the `whole` that was there just before went out; nothing did when `part` is 0."""

    part: int
    whole: int


def outgoing(legs: Sequence[Leg], metal: str) -> list[Step]:
    """For each leg, in order of time, what share of the lot went out.

    Told by the material's mass, for a solution by its volume, and by the metal itself where neither
    moved. A leg that brings something in is a step of nothing, and so is one that takes material
    without any of the metals there, as evaporation does.
    """
    held: dict[str, int] = {}
    mass_ug = volume_ul = 0
    steps = []
    for leg in legs:
        if any(held.values()) and not any(leg.metals.values()):
            step = Step(0, 1)
        elif mass_ug > 0 and leg.mass_ug < 0:
            step = Step(-leg.mass_ug, mass_ug)
        elif volume_ul > 0 and leg.volume_ul < 0:
            step = Step(-leg.volume_ul, volume_ul)
        elif held.get(metal, 0) > 0 > leg.metals.get(metal, 0) and not _is_material(leg):
            step = Step(-leg.metals[metal], held[metal])
        else:
            step = Step(0, 1)
        steps.append(Step(min(step.part, step.whole), step.whole))
        mass_ug += leg.mass_ug
        volume_ul += leg.volume_ul
        for each, moved_ug in leg.metals.items():
            held[each] = held.get(each, 0) + moved_ug
    return steps


def carried(change_ug: int, step: Step) -> int:
    """The share of a change that went out with one step, in micrograms of the change's sign."""
    return share_ug(change_ug, [step.whole - step.part, step.part])[1]


def staying(change_ug: int, steps: Sequence[Step]) -> int:
    """What is left of a change after every step took its share."""
    for step in steps:
        change_ug -= carried(change_ug, step)
    return change_ug


def spread(change_ug: int, weights: Mapping[Target, int]) -> dict[Target, int]:
    """A change over its targets, in proportion to weights (>= 0, not all zero)."""
    return dict(zip(weights, share_ug(change_ug, list(weights.values())), strict=True))


def placed(change_ug: int, held_ug: int) -> tuple[int, int]:
    """What of a change can be placed on a balance without taking it below zero, and what can't."""
    kept_ug = max(change_ug, -held_ug)
    return kept_ug, change_ug - kept_ug


def _is_material(leg: Leg) -> bool:
    return bool(leg.mass_ug or leg.volume_ul)
