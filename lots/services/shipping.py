"""Metal leaves the works: shipped to a party, or returned to the customer it is owed to."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.common import parties
from lots.declaration.event import Asks, Event
from lots.ledger import accounts
from lots.ledger.drafts import ClaimLine, Draft, Line
from lots.ledger.holdings import AsOf, claims_of
from lots.ledger.posting import post
from lots.ledger.recording import Act, recorded_once
from lots.measurements.weighings import Weight, keep_weighing
from lots.models import Lot, Movement, Party, Weighing
from lots.queries.likely_lots import weighed_held
from lots.returning import charged_to_claim
from lots.services.lot_register import ON_LOT, of_lot
from lots.services.taking import Take, Taken, take_one
from lots.services.write_off import ended_as


@recorded_once
def ship_lot(
    *,
    lot: Lot,
    to: Annotated[
        Party,
        None,
        Asks("Who it goes to", among=parties("customer", "supplier", "laboratory")),
    ],
    act: Act,
    weight: Weight | None = None,
) -> Movement:
    """Sends a whole lot to a party. Its weighing at the door, if any, is kept as a fact.

    Raises ConflictError `lot_not_available`, `lot_is_empty`; InvalidError `shipped_to_the_house`,
    and what `keep_weighing` raises.
    """
    return ship_out(lot, to, act, weight)


SHIP: Final = Event(
    ship_lot,
    on=ON_LOT,
    at="ship",
    name="ship",
    about="Send a whole lot to a party.",
    title="Ship",
    lead="The whole lot leaves. Split it first to send a part.",
    button="It has left",
    done="Shipped.",
    cautions=("ship",),
    menu=of_lot("Ship", 60, "The whole lot leaves", Lot.State.AVAILABLE),
    likely=weighed_held,
)


def ship_out(lot: Lot, to: Party, act: Act, weight: Weight | None = None) -> Movement:
    """`ship_lot` for services that ship as part of what they do."""
    if to.is_house:
        raise refuse("shipped_to_the_house", field="to", value=to.code)
    taken = take_one(Take(lot), act)
    if weight is not None:
        keep_weighing(lot, weight, Weighing.Purpose.SHIPMENT, act)
    movement = post(_leaving(taken, Movement.Kind.SHIPMENT, accounts.SHIPPED, to, ()), act)
    ended_as(lot, Lot.State.SHIPPED)
    return movement


@recorded_once
def return_to_customer(
    *,
    lot: Lot,
    customer: Annotated[Party, None, Asks("Whose metal goes back", among=parties("customer"))],
    act: Act,
    weight: Weight | None = None,
) -> Movement:
    """Gives a whole lot back to a customer: their own kept apart, or the house's against the claim.

    How much of it the claim loses: `charged_to_claim`. Raises InvalidError `not_theirs`,
    `house_has_no_claim`; ConflictError `lot_not_available`, `lot_is_empty`, `claim_overdrawn`; what
    `keep_weighing` raises.
    """
    return give_back(lot, customer, act, weight)


RETURN: Final = Event(
    return_to_customer,
    on=ON_LOT,
    at="return",
    name="return",
    begins=lambda lot: {} if lot.owner.is_house else {"customer": lot.owner.pk},
    about="Give a whole lot back to a customer: their own, or the house's against their claim.",
    title="Return to a customer",
    lead="Their own lot kept apart, or one of the house's against what they are owed.",
    button="It has been returned",
    done="Returned.",
    cautions=("ship",),
    menu=of_lot("Return to a customer", 61, "Theirs, or owed to them", Lot.State.AVAILABLE),
    likely=weighed_held,
)


def give_back(lot: Lot, customer: Party, act: Act, weight: Weight | None = None) -> Movement:
    """`return_to_customer` for services that return as part of what they do."""
    if customer.is_house:
        raise refuse("house_has_no_claim:shipping", field="customer", value=customer.code)
    taken = take_one(Take(lot), act)
    owner = taken.sole_owner()
    assert owner is not None
    if not owner.is_house and owner != customer:
        raise refuse("not_theirs", field="customer", value=customer.code, lot=lot.code, owner=owner)
    if weight is not None:
        keep_weighing(lot, weight, Weighing.Purpose.SHIPMENT, act)
    claims = _charged(taken, customer, act) if owner.is_house else []
    movement = post(_leaving(taken, Movement.Kind.RETURN, accounts.RETURNED, customer, claims), act)
    ended_as(lot, Lot.State.RETURNED)
    return movement


def _charged(taken: Taken, customer: Party, act: Act) -> list[ClaimLine]:
    owed = claims_of(customer, AsOf(act.moment))
    if not owed:
        raise refuse(
            "claim_overdrawn:shipping", field="customer", value=customer.code, customer=customer
        )
    charged = charged_to_claim(taken.metals, owed)
    return [ClaimLine(customer, metal, -charged_ug) for metal, charged_ug in charged.items()]


def _leaving(
    taken: Taken, kind: str, account: str, to: Party, claims: Sequence[ClaimLine]
) -> Draft:
    return Draft(
        kind=kind,
        stage=Movement.Stage.SHIPPING,
        lines=[
            *taken.lines,
            *(
                Line(metal, metal_ug, account=account, owner=to)
                for metal, metal_ug in taken.metals.items()
            ),
        ],
        claims=claims,
        materials=taken.materials,
        counterparty=to,
    )
