"""One lot becomes several, each with its own label."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.common import Description
from lots.declaration.event import Asks, Event
from lots.ledger.content_uncertainty import stated_uncertainties
from lots.ledger.drafts import Draft, Line, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, Holding, holding
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.standings import standings_of
from lots.models import Lot, Movement, Party, Place
from lots.portions import Portion, divide
from lots.queries.likely_lots import split_held
from lots.services.lot_register import LABEL_MAX, ON_LOT, of_lot, register_lot
from lots.services.taking import check_at_hand
from lots.units import ug_to_g


@dataclass(frozen=True)
class Part:
    """One new lot out of the old: its mass, or for a solution its volume; where it goes."""

    mass_ug: int | None = None
    volume_ul: int | None = None
    place: Place | None = None
    description: Description = ""
    code: Annotated[str, Asks(at_most=LABEL_MAX)] = ""


@recorded_once
def split_lot(
    *,
    lot: Lot,
    parts: Annotated[Sequence[Part], Asks(on_page=False)],
    act: Act,
    label_rest: Annotated[
        bool, Asks("Give what is left a new label too", "Else it keeps the old one.")
    ] = False,
) -> Movement:
    """Divides a lot by masses (or volumes) into new lots of the same owner and form.

    What no part takes stays under the old label, or becomes a new lot too with `label_rest`. Every
    metal divides in proportion and every microgram is placed. The new lots are the movement's
    standings. Raises InvalidError `nothing_taken`, `not_positive`, `one_quantity_needed`;
    ConflictError `lot_not_available`, `lot_is_empty`, `more_than_there_is`.
    """
    check_at_hand(lot, field="lot")
    held = holding(lot, AsOf(act.moment))
    amounts, by_volume = _amounts(parts, held, lot)
    rest = (held.volume_ul if by_volume else held.mass_ug) - sum(amounts)
    portions = divide(held.metals, held.mass_ug, held.volume_ul, [*amounts, rest])
    wanted = [*parts, Part()] if label_rest and rest else list(parts)
    place, owner = _standing(lot, act)
    relative = stated_uncertainties([lot])[lot.pk]
    lines: list[Line] = []
    materials: list[MaterialLine] = []
    standings: list[StandingLine] = []
    for part, portion in zip(wanted, portions, strict=False):
        new = register_lot(
            form=lot.form,
            owner=owner,
            place=part.place or place,
            content=Lot.Content.BY_PROPORTION,
            act=act,
            description=part.description or lot.description,
            received_from=lot.received_from,
            code=part.code,
        )
        lines += _moved(lot, new, owner, portion, relative)
        materials += [
            MaterialLine(lot, mass_ug=-portion.mass_ug, volume_ul=-portion.volume_ul),
            MaterialLine(new, mass_ug=portion.mass_ug, volume_ul=portion.volume_ul),
        ]
        standings.append(StandingLine(new, part.place or place, owner))
    return post(
        Draft(
            kind=Movement.Kind.SPLIT,
            stage=Movement.Stage.STORE,
            lines=lines,
            materials=materials,
            standings=standings,
        ),
        act,
    )


SPLIT: Final = Event(
    split_lot,
    on=ON_LOT,
    at="split",
    name="split",
    about="Split a lot into labelled parts; the new lots are the movement's standings.",
    title="Split a lot",
    lead="Each part gets its own label; every metal divides in proportion.",
    button="Split it",
    done="Split. Print the new labels.",
    menu=of_lot("Split", 30, "Several labels out of one", Lot.State.AVAILABLE),
    likely=split_held,
)


def _standing(lot: Lot, act: Act) -> tuple[Place, Party]:
    standing = standings_of([lot], AsOf(act.moment))[lot.pk]
    is_there = lot.place_id == standing.place_id
    is_theirs = lot.owner_id == standing.owner_id
    return (
        lot.place if is_there else Place.objects.get(pk=standing.place_id),
        lot.owner if is_theirs else Party.objects.get(pk=standing.owner_id),
    )


def _moved(
    lot: Lot, new: Lot, owner: Party, portion: Portion, relative: Mapping[str, float | None]
) -> list[Line]:
    """A portion out of the old lot into the new one, relatively as unsure as the old lot is."""
    lines = []
    for metal, mass_ug in portion.metals.items():
        unsure = relative.get(metal)
        lines += [
            Line(metal, -mass_ug, lot=lot, owner=owner),
            Line(
                metal,
                mass_ug,
                lot=new,
                owner=owner,
                standard_uncertainty_ug=None if unsure is None else round(mass_ug * unsure),
            ),
        ]
    return lines


def _amounts(parts: Sequence[Part], held: Holding, lot: Lot) -> tuple[list[int], bool]:
    """What each part takes of the lot's mass, or of its volume when the parts give volumes."""
    if not parts:
        raise refuse("nothing_taken:splitting", field="parts")
    if held.is_empty:
        raise refuse("lot_is_empty", field="lot", value=lot.code)
    by_volume = parts[0].volume_ul is not None
    unit = "volume" if by_volume else "mass"
    amounts = []
    for index, part in enumerate(parts):
        amount, other = part.mass_ug, part.volume_ul
        if by_volume:
            amount, other = other, amount
        if amount is None or other is not None:
            raise refuse("one_quantity_needed:splitting", field=f"parts.{index}")
        if amount <= 0:
            raise refuse("not_positive:splitting", field=f"parts.{index}.{unit}", value=amount)
        amounts.append(amount)
    there = held.volume_ul if by_volume else held.mass_ug
    if sum(amounts) > there:
        asked, has = (
            (f"{sum(amounts) / 1000:g} ml", f"{there / 1000:g} ml")
            if by_volume
            else (f"{ug_to_g(sum(amounts))} g", f"{ug_to_g(there)} g")
        )
        raise refuse("more_than_there_is:splitting", field="parts", value=asked, has=has)
    return amounts, by_volume
