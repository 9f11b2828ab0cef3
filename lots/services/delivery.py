"""Several lots leave together, shipped or returned, under one delivery note."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Final

from config.refusals import RefusalError, refuse
from lots import clock
from lots.declaration.common import Reason
from lots.declaration.event import Asks, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.ledger.reversal import reverse_movement
from lots.measurements.weighings import Weight
from lots.models import BarRecord, DeliveryLine, DeliveryNote, Lot, Movement, Party, Weighing
from lots.services.lot_register import next_code
from lots.services.shipping import give_back, ship_out
from lots.texts import checked_reason, checked_text

PREFIX: Final = "DN"
CARRIER_MAX: Final = 200
LOTS_MAX: Final = 200


@dataclass(frozen=True)
class Delivered:
    """One whole lot, with its weighing at the door, if any."""

    lot: Lot
    weight: Annotated[Weight | None, Asks("At the door")] = None


@recorded_once
def deliver(
    *,
    kind: Annotated[str, Asks(choices=DeliveryNote.Kind)],
    party: Party,
    items: Annotated[Sequence[Delivered], Asks(name="lots", at_most=LOTS_MAX)],
    act: Act,
    carrier: Annotated[str, Asks("Carrier", at_most=CARRIER_MAX)] = "",
) -> DeliveryNote:
    """Ships or returns every lot named, or none, and writes one note of it.

    A return of the house's metal reduces what the customer is owed, lot after lot. Raises
    InvalidError `unknown_choice`, `nothing_taken`, `too_many`, `taken_twice`, what `checked_text`
    raises on `carrier`; what `ship_lot` and `return_to_customer` raise, naming `lots.<n>`.
    """
    carrier = checked_text(carrier, field="carrier", limit=CARRIER_MAX)
    _check(kind, items)
    note = DeliveryNote.objects.create(
        code=next_code(PREFIX, act.moment.year),
        kind=kind,
        party=party,
        carrier=carrier,
        delivered_at=act.moment,
        recorded_at=clock.now(),
        delivered_by_id=act.who.pk,
        note=act.note,
    )
    for index, item in enumerate(items):
        movement = _leave(kind, party, item, index, act)
        DeliveryLine.objects.create(
            note=note,
            lot=item.lot,
            movement=movement,
            weighing=_weighing_of(item, act),
            bar_record=BarRecord.objects.filter(lot=item.lot, struck_at=None).first(),
        )
    return note


DELIVER: Final = Event(
    deliver,
    at="delivery-notes/deliver",
    about="Ship several lots to a party, or return them to a customer, under one note.",
    cautions=("ship",),
)


@recorded_once
def take_back_delivery(*, note: DeliveryNote, reason: Reason, act: Act) -> DeliveryNote:
    """Reverses every movement of a note that still stands, the last first, or none.

    The note stays on record and says that its lots were taken back. Raises ConflictError
    `already_reversed`, and what `checked_reason` and `reverse_movement` raise.
    """
    reason = checked_reason(reason)
    standing = note.lines.filter(movement__reversed_by=None).select_related("movement")
    if not standing:
        raise refuse("already_reversed:delivery", field="note", value=note.code)
    for line in standing.order_by("-id"):
        reverse_movement(movement=line.movement, reason=reason, act=replace(act, key=""))
    return note


TAKE_BACK: Final = Event(
    take_back_delivery,
    on=On(DeliveryNote, "delivery-notes/<str:code>", "note", related=("party",), page="delivery"),
    at="take-back",
    about="Reverse every movement of a delivery note at once; the note stays on record.",
    name="delivery-take-back",
    page_at="/deliveries/<str:code>/take-back",
    title="Take a delivery back",
    lead="Every lot of the note comes back as it was, and what was owed is owed again.",
    button="Reverse the whole note",
    done="Taken back; the note stays on record and says so.",
    template="reports/delivery_step.html",
    when="",
    why="",
    lands="delivery code",
)


def _leave(kind: str, party: Party, item: Delivered, index: int, act: Act) -> Movement:
    leave = ship_out if kind == DeliveryNote.Kind.SHIPMENT else give_back
    try:
        return leave(item.lot, party, act, item.weight)
    except RefusalError as refusal:
        if refusal.field == "lot":
            refusal.field = f"lots.{index}"
        elif refusal.field in {"to", "customer"}:
            refusal.field = "party"
        elif refusal.field not in {None, "occurred_at", "note"}:
            refusal.field = f"lots.{index}.{refusal.field}"
        raise


def _weighing_of(item: Delivered, act: Act) -> Weighing | None:
    if item.weight is None:
        return None
    weighings = Weighing.objects.filter(
        lot=item.lot, purpose=Weighing.Purpose.SHIPMENT, taken_at=act.moment
    )
    return weighings.order_by("-id").first()


def _check(kind: str, items: Sequence[Delivered]) -> None:
    if kind not in DeliveryNote.Kind.values:
        raise refuse(
            "unknown_choice:delivery",
            field="kind",
            value=kind,
            deliverynote=", ".join(DeliveryNote.Kind.values),
        )
    if not items:
        raise refuse("nothing_taken:delivery", field="lots")
    if len(items) > LOTS_MAX:
        raise refuse("too_many", field="lots", value=len(items), lots_max=LOTS_MAX)
    seen: set[int] = set()
    for index, item in enumerate(items):
        if item.lot.pk in seen:
            raise refuse("taken_twice:delivery", field=f"lots.{index}", value=item.lot.code)
        seen.add(item.lot.pk)
