"""What to add to an electrolyte, how often it can be used again, and what to bleed from it."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt
from typing import Final

from cells.electrochemistry.estimated import Estimate
from cells.electrochemistry.make_up import (
    Bleed,
    MakeUp,
    Solution,
    Target,
    UsesLeft,
    plan_bleed,
    plan_make_up,
    steady_bleed,
    uses_left,
)
from cells.models import Cell, ElectrolyteBatch, HarvestBalance
from cells.queries.electrolyte_books import ElectrolyteBook, electrolyte_book
from cells.queries.run_facts import NITRIC_ACID_G_PER_MOL, UL_PER_L
from cells.queries.standing_movements import standing
from config.refusals import refuse
from lots.ledger.holdings import NOW, AsOf
from lots.units import UG_PER_G

# How many of the latest runs say what the usual feed brings.
RUNS_LOOKED_AT: Final = 10


@dataclass(frozen=True)
class UsualCopper:
    """Grams of copper that a run's charge brings into solution, by the latest runs."""

    grams: Estimate
    runs: int


def solution_of(book: ElectrolyteBook) -> Solution:
    """An electrolyte's book as the plan takes it; without a reading, no free acid is assumed."""
    litres = book.volume_ul / UL_PER_L
    acid_g_per_l = 0.0 if book.free_acid is None else float(book.free_acid.g_per_l)
    return Solution(
        volume_l=litres,
        silver_g=book.metals.get("Ag", 0) / UG_PER_G,
        copper_g=book.metals.get("Cu", 0) / UG_PER_G,
        acid_mol=acid_g_per_l * litres / NITRIC_ACID_G_PER_MOL,
    )


def make_up_plan(
    batch: ElectrolyteBatch,
    target: Target,
    *,
    acid_percent: float,
    concentrated_share: float,
    as_of: AsOf = NOW,
) -> MakeUp:
    """What brings the electrolyte to `target`; see `plan_make_up`."""
    return plan_make_up(
        solution_of(electrolyte_book(batch, as_of)),
        target,
        acid_percent=acid_percent,
        concentrated_share=concentrated_share,
    )


def usual_copper(cell: Cell, as_of: AsOf = NOW) -> UsualCopper:
    """What the cell's latest runs brought into solution: mean, and the spread of one run.

    Raises ConflictError `no_run_yet` for a cell without a harvested run.
    """
    grams = [
        mass_ug / UG_PER_G
        for mass_ug in HarvestBalance.objects.filter(
            standing("harvest__movement", as_of), harvest__run__cell=cell, metal="Cu"
        )
        .order_by("-harvest__harvested_at")
        .values_list("dissolved_ug", flat=True)[:RUNS_LOOKED_AT]
    ]
    if not grams:
        raise refuse("no_run_yet", field="cell", value=cell.code, cell=cell)
    mean = sum(grams) / len(grams)
    # With one run nothing is known of the spread; half of it stands for that.
    spread = (
        sqrt(sum((each - mean) ** 2 for each in grams) / (len(grams) - 1) / len(grams))
        if len(grams) > 1
        else mean / 2
    )
    return UsualCopper(Estimate(mean, spread), len(grams))


def uses_until_limit(
    batch: ElectrolyteBatch, cell: Cell, copper_per_use_g: Estimate, as_of: AsOf = NOW
) -> UsesLeft:
    """How many more uses until the cell's copper limit, each bringing so much copper."""
    return uses_left(
        solution_of(electrolyte_book(batch, as_of)),
        copper_per_use_g=copper_per_use_g,
        copper_limit_g_per_l=float(cell.copper_limit_g_per_l),
    )


def bleed_plan(batch: ElectrolyteBatch, volume_l: float, as_of: AsOf = NOW) -> Bleed:
    """What leaves with a bleed of `volume_l` litres, and its cementation."""
    return plan_bleed(solution_of(electrolyte_book(batch, as_of)), volume_l=volume_l)


def bleed_to_hold(
    batch: ElectrolyteBatch, copper_per_use_g: float, hold_g_per_l: float, as_of: AsOf = NOW
) -> Bleed:
    """The bleed after every use that holds copper at a level."""
    return steady_bleed(
        solution_of(electrolyte_book(batch, as_of)),
        copper_per_use_g=copper_per_use_g,
        hold_g_per_l=hold_g_per_l,
    )


@dataclass(frozen=True)
class BleedOutlook:
    """A bleed if one was asked for, the copper it was computed with, and the uses left without."""

    bleed: Bleed | None
    usual_copper: UsualCopper | None
    uses_left: UsesLeft | None


def bleed_outlook(
    batch: ElectrolyteBatch,
    *,
    volume_l: float | None = None,
    hold_g_per_l: float | None = None,
    copper_per_use_g: float | None = None,
    as_of: AsOf = NOW,
) -> BleedOutlook:
    """The bleed of a volume, or the one that holds copper at a level; without either, none.

    What a charge brings is told by `copper_per_use_g`, else by the latest runs of the cell it
    stands in. Raises InvalidError `one_of_two`, `required`; ConflictError `no_run_yet`.
    """
    if volume_l is not None and hold_g_per_l is not None:
        raise refuse("one_of_two", field="volume_l")
    per_use = None if copper_per_use_g is None else Estimate(copper_per_use_g)
    usual = None
    if per_use is None and batch.cell is not None and volume_l is None:
        usual = usual_copper(batch.cell, as_of)
        per_use = usual.grams
    bleed = None
    if volume_l is not None:
        bleed = bleed_plan(batch, volume_l, as_of)
    elif hold_g_per_l is not None and per_use is not None:
        bleed = bleed_to_hold(batch, per_use.value, hold_g_per_l, as_of)
    elif hold_g_per_l is not None:
        raise refuse("required", field="copper_per_use_g")
    uses = None
    if per_use is not None and batch.cell is not None:
        uses = uses_until_limit(batch, batch.cell, per_use, as_of)
    return BleedOutlook(bleed, usual, uses)
