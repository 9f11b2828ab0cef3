"""A delivery note as a document: to whom, what left, its metal, whether taken back since."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Prefetch

from lots.local_law import LOCAL_LAW
from lots.metals import Metal
from lots.models import DeliveryLine, DeliveryNote, Party
from lots.queries.bar_list import BarRow, bar_row


@dataclass(frozen=True)
class DeliveredLot:
    """One lot as it left the books; `taken_back` when its movement was reversed since."""

    lot: str
    form: str
    description: str
    mass_ug: int
    metals: dict[str, int]
    weighed_ug: int | None
    bar: BarRow | None
    movement: int
    taken_back: bool


@dataclass(frozen=True)
class DeliveryDocument:
    """A delivery note ready for JSON and the PDF. Totals leave out what was taken back.

    `withheld` says to the party what metal is left out, and why.
    """

    code: str
    kind: str
    house: str
    party: str
    party_name: str
    carrier: str
    delivered_at: dt.datetime
    delivered_by: str
    note: str
    lots: tuple[DeliveredLot, ...]
    metals: dict[str, int]
    mass_ug: int
    withheld: str = ""
    local_law: str = LOCAL_LAW


def delivery_document(note: DeliveryNote) -> DeliveryDocument:
    """The document of one note; its masses are those the ledger posted."""
    lines = note.lines.select_related("lot", "movement__reversed_by", "weighing", "bar_record__lot")
    lots = tuple(
        _delivered(line)
        for line in lines.prefetch_related(
            Prefetch("movement__entries"), Prefetch("movement__material_entries")
        ).order_by("id")
    )
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    return DeliveryDocument(
        code=note.code,
        kind=note.get_kind_display(),
        house=house.name if house else "",
        party=note.party.code,
        party_name=note.party.name,
        carrier=note.carrier,
        delivered_at=note.delivered_at,
        delivered_by=note.delivered_by.get_username(),
        note=note.note,
        lots=lots,
        metals=metals_together(lots),
        mass_ug=sum(each.mass_ug for each in lots if not each.taken_back),
    )


def _delivered(line: DeliveryLine) -> DeliveredLot:
    entries = [each for each in line.movement.entries.all() if each.lot_id == line.lot_id]
    materials = list(line.movement.material_entries.all())
    taken: dict[str, int] = {each.metal: -each.mass_ug for each in entries}
    return DeliveredLot(
        lot=line.lot.code,
        form=line.lot.get_form_display(),
        description=line.lot.description,
        mass_ug=-sum(each.mass_ug for each in materials if each.lot_id == line.lot_id),
        metals={metal: taken[metal] for metal in Metal.values if metal in taken},
        weighed_ug=line.weighing.net_ug if line.weighing else None,
        bar=bar_row(line.bar_record) if line.bar_record else None,
        movement=line.movement.sequence,
        taken_back=hasattr(line.movement, "reversed_by"),
    )


def metals_together(lots: Sequence[DeliveredLot]) -> dict[str, int]:
    """Micrograms by metal of all lots that were not taken back."""
    total: dict[str, int] = {}
    for each in (each for each in lots if not each.taken_back):
        for metal, mass_ug in each.metals.items():
            total[metal] = total.get(metal, 0) + mass_ug
    return {metal: total[metal] for metal in Metal.values if metal in total}
