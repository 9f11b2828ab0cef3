"""What a lot was received or made with: the material and the metals its assay speaks of."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from config.refusals import refuse
from lots.measurements.carried_change import outgoing, staying
from lots.metals import Metal
from lots.models import ContentChange, Lot, Measurement, Movement
from lots.queries.lot_story import Passage, order_of, story_of

# A correction of how much there is of a lot, not something that came in.
_CORRECTIONS: Final = {Movement.Kind.WEIGHING_DIFFERENCE, Movement.Kind.COUNT_ADJUSTMENT}


@dataclass(frozen=True)
class MadeWith:
    """What a lot was received or made with: the movement, the material, the metals as booked."""

    movement: Movement
    mass_ug: int
    volume_ul: int
    metals: dict[str, int]
    quantity_by: Measurement | None


def made_with(lot: Lot, moment: dt.datetime) -> MadeWith:
    """What was there when something last came into the lot, as corrected since.

    For a lot that only one movement filled, that is what it was received or made with. A solution
    topped up later is a new mixture, and its assay speaks of that. Raises ConflictError
    `lot_not_there_yet`.
    """
    story = story_of(lot)
    entries = [
        index
        for index, passage in enumerate(story)
        if passage.movement.kind not in _CORRECTIONS
        and passage.movement.kind != Movement.Kind.CHANGE_OF_OWNER
        and (passage.leg.mass_ug > 0 or passage.leg.volume_ul > 0)
    ]
    if not entries or story[entries[-1]].movement.occurred_at > moment:
        raise refuse(
            "lot_not_there_yet", field="occurred_at", value=moment.isoformat(), lot=lot.code
        )
    last = entries[-1]
    movement = story[last].movement
    counted = [
        passage
        for index, passage in enumerate(story)
        if index <= last
        or (
            passage.movement.kind in _CORRECTIONS
            and max(passage.leg.mass_ug, passage.leg.volume_ul) > 0
        )
    ]
    metals = {
        metal: sum(passage.leg.metals.get(metal, 0) for passage in counted)
        for metal in Metal.values
    }
    for metal, change_ug in _ruled_before(lot, story, last).items():
        metals[metal] += change_ug
    return MadeWith(
        movement,
        sum(passage.leg.mass_ug for passage in counted),
        sum(passage.leg.volume_ul for passage in counted),
        metals,
        _measured_by(lot, [passage.movement for passage in counted]),
    )


def _ruled_before(lot: Lot, story: Sequence[Passage], last: int) -> dict[str, int]:
    """What earlier rulings changed of that content: the lot's own, and those carried into it."""
    totals: dict[str, int] = dict.fromkeys(Metal.values, 0)
    made = order_of(story[last].movement)
    for change in ContentChange.objects.filter(
        lot=lot, movement__reversed_by__isnull=True
    ).select_related("entered_by"):
        entered = order_of(change.entered_by)
        steps = outgoing([passage.leg for passage in story], change.metal)
        left_before = [
            step
            for passage, step in zip(story, steps, strict=True)
            if entered < order_of(passage.movement) <= made
        ]
        totals[change.metal] += staying(change.mass_ug, left_before)
    return totals


def _measured_by(lot: Lot, movements: Sequence[Movement]) -> Measurement | None:
    """The latest weighing or volume that the material rests on."""
    for movement in reversed(movements):
        line = movement.material_entries.filter(lot=lot, quantity_by__isnull=False).first()
        if line is not None:
            return line.quantity_by
    return None
