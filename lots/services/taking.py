"""Takes portions out of lots: metals in proportion, ownership carried along."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Sequence
from dataclasses import dataclass, field
from math import hypot
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.event import Asks
from lots.ledger.content_uncertainty import stated_uncertainties
from lots.ledger.drafts import ClaimLine, Line, MaterialLine
from lots.ledger.holdings import AsOf, Holding, holdings
from lots.ledger.recording import Act
from lots.ledger.standings import standings_of
from lots.models import Entry, Lot, Party
from lots.portions import Portion, portion_by_mass, portion_by_volume

ALL_OF_IT: Final = "Leave it empty for all of the lot."
ALL_OF_A_LOT: Final = "Leave the second box empty to take all of a lot."


@dataclass(frozen=True)
class Take:
    """A portion of a lot: by mass, by volume, or all of it when neither is given."""

    lot: Lot
    mass_ug: Annotated[int | None, Asks("How much", ALL_OF_IT, liquid=False)] = None
    volume_ul: Annotated[int | None, Asks("How much", ALL_OF_IT, liquid=True)] = None


@dataclass(frozen=True)
class Taken:
    """Portions out of their lots, as lines, with what each owner gave."""

    lines: list[Line]
    materials: list[MaterialLine]
    by_owner: dict[int, dict[str, int]]
    metals: dict[str, int]
    mass_ug: int
    volume_ul: int
    owners: dict[int, Party] = field(default_factory=dict)

    def sole_owner(self) -> Party | None:
        """The owner of everything taken, or None when it is several owners'."""
        return next(iter(self.owners.values())) if len(self.owners) == 1 else None


def take(
    takes: Sequence[Take], act: Act, *, field: str = "inputs", also: Collection[str] = ()
) -> Taken:
    """The portions asked for, out of lots that are at hand at the act's moment.

    `also` names states beside available that the lots may be in. Raises InvalidError
    `nothing_taken`, `taken_twice`, `not_positive`; ConflictError `lot_not_available`,
    `lot_is_empty`, `more_than_there_is`.
    """
    _check_list(takes, field)
    names = [_Names.of(f"{field}.{index}") for index in range(len(takes))]
    return _gather(takes, names, act, also)


def take_one(wanted: Take, act: Act, *, also: Collection[str] = ()) -> Taken:
    """A portion of one lot; refuses as `take`, naming `lot`, `mass` or `volume`."""
    return _gather([wanted], [_Names("lot", "mass", "volume")], act, also)


@dataclass(frozen=True)
class _Names:
    """What the caller calls the lot, its mass and its volume."""

    lot: str
    mass: str
    volume: str

    @classmethod
    def of(cls, name: str) -> _Names:
        return cls(name, f"{name}.mass", f"{name}.volume")


def _gather(
    takes: Sequence[Take], names: Sequence[_Names], act: Act, also: Collection[str]
) -> Taken:
    as_of = AsOf(act.moment)
    held = holdings([each.lot for each in takes], as_of)
    standings = standings_of([each.lot for each in takes], as_of)
    owners = Party.objects.in_bulk({standing.owner_id for standing in standings.values()})
    lines: list[Line] = []
    materials: list[MaterialLine] = []
    by_owner: dict[int, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    total: dict[str, int] = defaultdict(int)
    mass_ug = volume_ul = 0
    for each, name in zip(takes, names, strict=True):
        check_at_hand(each.lot, field=name.lot, also=also)
        if each.mass_ug is not None and each.volume_ul is not None:
            raise refuse("mass_or_volume", field=name.mass)
        portion = _portion(each, held[each.lot.pk], name)
        owner = owners[standings[each.lot.pk].owner_id]
        for metal, metal_ug in portion.metals.items():
            lines.append(Line(metal, -metal_ug, lot=each.lot, owner=owner))
            by_owner[owner.pk][metal] += metal_ug
            total[metal] += metal_ug
        materials.append(
            MaterialLine(each.lot, mass_ug=-portion.mass_ug, volume_ul=-portion.volume_ul)
        )
        mass_ug += portion.mass_ug
        volume_ul += portion.volume_ul
    return Taken(
        lines,
        materials,
        {pk: dict(metals) for pk, metals in by_owner.items()},
        dict(total),
        mass_ug,
        volume_ul,
        {
            standings[each.lot.pk].owner_id: owners[standings[each.lot.pk].owner_id]
            for each in takes
        },
    )


def into(lot: Lot, owner: Party, taken: Taken) -> tuple[list[Line], list[MaterialLine]]:
    """Lines that put all that was taken into one lot of `owner`, as sure as its sources were."""
    unsure = portions_uncertainty_ug(taken.lines)
    lines = [
        Line(
            metal,
            metal_ug,
            lot=lot,
            owner=owner,
            basis=Entry.Basis.PROPORTION,
            standard_uncertainty_ug=unsure[metal],
        )
        for metal, metal_ug in taken.metals.items()
    ]
    return lines, [MaterialLine(lot, mass_ug=taken.mass_ug, volume_ul=taken.volume_ul)]


def portions_uncertainty_ug(lines: Sequence[Line]) -> dict[str, int | None]:
    """Per metal, of portions taken out of lots together: each as unsure as its lot, independently.

    None where a lot's content has no stated uncertainty.
    """
    lots = {line.lot.pk: line.lot for line in lines if line.lot is not None}
    relative = stated_uncertainties(lots.values())
    spreads: dict[str, list[float | None]] = defaultdict(list)
    for line in lines:
        assert line.lot is not None
        of_lot = relative[line.lot.pk].get(line.metal)
        spreads[line.metal].append(None if of_lot is None else line.mass_ug * of_lot)
    return {
        metal: None if None in parts else round(hypot(*(part or 0.0 for part in parts)))
        for metal, parts in spreads.items()
    }


def commingled_claims(taken: Taken) -> list[ClaimLine]:
    """The claims customers gain when what they gave joins the house's pool."""
    return [
        ClaimLine(taken.owners[owner_id], metal, metal_ug)
        for owner_id, metals in taken.by_owner.items()
        if not taken.owners[owner_id].is_house
        for metal, metal_ug in metals.items()
    ]


def check_at_hand(lot: Lot, *, field: str, also: Collection[str] = ()) -> None:
    """Refuses a lot that can't be worked with now (`lot_not_available`).

    The state is read again, because the caller may have fetched the lot before the lock was taken.
    """
    lot.refresh_from_db(fields=["state", "state_reason"])
    if lot.state != Lot.State.AVAILABLE and lot.state not in also:
        reason = f": {lot.state_reason}" if lot.state_reason else ""
        raise refuse(
            "lot_not_available",
            field=field,
            value=lot.code,
            lot=lot.get_state_display().lower(),
            reason=reason,
        )


def _check_list(takes: Sequence[Take], field: str) -> None:
    if not takes:
        raise refuse("nothing_taken:taking", field=field)
    seen: set[int] = set()
    for index, each in enumerate(takes):
        if each.lot.pk in seen:
            raise refuse("taken_twice:taking", field=f"{field}.{index}", value=each.lot.code)
        seen.add(each.lot.pk)


def _portion(take: Take, held: Holding, names: _Names) -> Portion:
    for name, amount in ((names.mass, take.mass_ug), (names.volume, take.volume_ul)):
        if amount is not None and amount <= 0:
            raise refuse("not_positive:taking", field=name, value=amount)
    if held.is_empty:
        raise refuse("lot_is_empty", field=names.lot, value=take.lot.code)
    if take.mass_ug is not None:
        return portion_by_mass(
            held.metals, held.mass_ug, held.volume_ul, take.mass_ug, field=names.mass
        )
    if take.volume_ul is not None:
        return portion_by_volume(
            held.metals, held.mass_ug, held.volume_ul, take.volume_ul, field=names.volume
        )
    return Portion(dict(held.metals), held.mass_ug, held.volume_ul)
