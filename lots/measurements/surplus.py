"""Draws outputs from a vessel, and marks what the book did not hold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot, sqrt
from typing import Final

from django.db.models import F, FloatField, Sum
from django.db.models.functions import Cast

from lots.ledger.drafts import Line
from lots.ledger.holdings import AsOf, holding
from lots.ledger.recording import Act
from lots.measurements.outputs import Content
from lots.models import Account, Entry, Excess, Lot, Movement

# Coverage factor of the limit of error: 95 % two-sided for a normal distribution (JCGM 100:2008,
# table G.1 prints 1.960).
COVERAGE_FACTOR: Final = 1.96


@dataclass(frozen=True)
class Surplus:
    """What an output measured above what the vessel held by the book."""

    metal: str
    excess_ug: int
    limit_of_error_ug: int | None


def draw(
    vessel: Lot, output: Lot, contents: Sequence[Content], account: str, act: Act
) -> tuple[list[Line], list[Surplus]]:
    """Lines that bring `contents` from the vessel into `output`.

    A measurement is a fact and the book an opinion: what the vessel does not hold by the book comes
    from the difference `account` in the same movement, and is returned as a surplus to be marked.
    """
    held = holding(vessel, AsOf(act.moment)).metals
    unsure = book_uncertainty_ug(vessel)
    lines: list[Line] = []
    surpluses: list[Surplus] = []
    for content in contents:
        if not content.mass_ug:
            continue
        from_vessel = min(content.mass_ug, held.get(content.metal, 0))
        excess = content.mass_ug - from_vessel
        lines.append(
            Line(
                content.metal,
                content.mass_ug,
                lot=output,
                owner=vessel.owner,
                basis=content.basis,
                standard_uncertainty_ug=content.standard_uncertainty_ug,
                quantity_by=content.quantity_by,
                content_by=content.content_by,
            )
        )
        lines.append(Line(content.metal, -from_vessel, lot=vessel, basis=content.basis))
        if excess:
            lines.append(
                Line(content.metal, -excess, account=account, basis=Entry.Basis.DIFFERENCE)
            )
            limit = COVERAGE_FACTOR * hypot(
                content.standard_uncertainty_ug or 0, unsure.get(content.metal, 0.0)
            )
            surpluses.append(Surplus(content.metal, excess, round(limit) or None))
    return lines, surpluses


def mark_surpluses(
    movement: Movement, output: Lot, account: str, surpluses: Sequence[Surplus]
) -> None:
    """Keeps each surplus on show until someone explains it."""
    if not surpluses:
        return
    of = Account.objects.get(code=account)
    Excess.objects.bulk_create(
        Excess(
            movement=movement,
            lot=output,
            account=of,
            metal=surplus.metal,
            excess_ug=surplus.excess_ug,
            limit_of_error_ug=surplus.limit_of_error_ug,
        )
        for surplus in surpluses
    )


def rest_to_difference(vessel: Lot, account: str, act: Act) -> list[Line]:
    """Lines that take what is left in a vessel, by the book, to a difference account."""
    left = holding(vessel, AsOf(act.moment)).metals
    return [
        line
        for metal, mass_ug in left.items()
        for line in (
            Line(metal, -mass_ug, lot=vessel, basis=Entry.Basis.DIFFERENCE),
            Line(metal, mass_ug, account=account, basis=Entry.Basis.DIFFERENCE),
        )
    ]


def book_uncertainty_ug(lot: Lot) -> dict[str, float]:
    """Root sum of squares of what is known of the entries' uncertainties, by metal."""
    squares = (
        Entry.objects.filter(lot=lot, standard_uncertainty_ug__isnull=False)
        .order_by()
        .values_list("metal")
        .annotate(
            total=Sum(
                Cast(F("standard_uncertainty_ug"), FloatField())
                * Cast(F("standard_uncertainty_ug"), FloatField())
            )
        )
    )
    return {metal: sqrt(total) for metal, total in squares}
