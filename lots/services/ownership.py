"""Whose metal is: a lot kept apart passes to another owner, a claim on the pool is settled."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Final

from config.refusals import refuse
from lots.declaration.common import parties
from lots.declaration.event import Asks, Event, Menu
from lots.ledger.drafts import ClaimLine, Draft, Line, StandingLine
from lots.ledger.holdings import AsOf, holding
from lots.ledger.posting import house, post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.standings import standings_of
from lots.measurements.late_assay import WITH_CLAIM
from lots.models import Lot, LotStanding, Movement, Party, Place
from lots.people.roles import OFFICE
from lots.services.lot_register import ON_LOT, of_lot
from lots.services.opening import check_claim
from lots.services.taking import check_at_hand

PURCHASE = "purchase"
SALE = "sale"
TRANSFER = "transfer"


@recorded_once
def change_owner(
    *,
    lot: Lot,
    owner: Annotated[
        Party,
        None,
        Asks("Who owns it from now on", among=parties("customer", "house", "supplier")),
    ],
    act: Act,
    as_claim: Annotated[
        bool,
        Asks("Against the customer's claim on the works' pool, not bought or sold"),
    ] = False,
) -> Movement:
    """Passes a whole lot to another owner; it stays where it is.

    From a customer to the house it is a purchase, and the metal is the house's own; with `as_claim`
    it joins the pool and the customer has a claim of the same mass instead. From the house to a
    customer it is a sale; with `as_claim` it is set apart for the customer out of their claim.
    Contracts and local law decide when title passes; this records that it did. Raises ConflictError
    `lot_not_available`, `lot_not_there_yet`, `lot_moved_since`, `claim_overdrawn`; InvalidError
    `same_owner`, `claim_needs_the_pool`.
    """
    check_at_hand(lot, field="lot")
    old, place = _standing(lot, act)
    if old == owner:
        raise refuse("same_owner", field="owner", value=owner.code, lot=lot.code, owner=owner)
    if as_claim and not (old.is_house or owner.is_house):
        raise refuse("claim_needs_the_pool", field="as_claim")
    metals = holding(lot, AsOf(act.moment)).metals
    customer, sign = (owner, -1) if old.is_house else (old, 1)
    cause = PURCHASE if owner.is_house else SALE if old.is_house else TRANSFER
    return post(
        Draft(
            kind=Movement.Kind.CHANGE_OF_OWNER,
            stage=Movement.Stage.STORE,
            cause=WITH_CLAIM if as_claim else cause,
            lines=[
                line
                for metal, mass_ug in metals.items()
                for line in (
                    Line(metal, -mass_ug, lot=lot, owner=old),
                    Line(metal, mass_ug, lot=lot, owner=owner),
                )
            ],
            claims=[
                ClaimLine(customer, metal, sign * mass_ug)
                for metal, mass_ug in metals.items()
                if as_claim
            ],
            standings=[StandingLine(lot, place, owner)],
            counterparty=owner if old.is_house else old,
        ),
        act,
    )


CHANGE_OWNER: Final = Event(
    change_owner,
    on=ON_LOT,
    at="owner",
    name="change-owner",
    about="""Pass a whole lot to another owner; it stays where it is.

    Contracts and local law decide when title passes; this records that it did.
    """,
    title="Change of owner",
    lead="Contracts and local law decide when title passes; this records that it did.",
    button="Record the new owner",
    done="The new owner is recorded.",
    roles=OFFICE,
    menu=of_lot("Change of owner", 65, "Title passes", Lot.State.AVAILABLE),
)


@recorded_once
def settle_claim(
    *,
    owner: Annotated[Party, None, Asks("Whose claim", among=parties("customer"))],
    metals: Annotated[
        Mapping[str, int], Asks("Metal taken off it", "With its unit: 250 g, 8 ozt.")
    ],
    act: Act,
    to: Annotated[
        Party | None,
        Asks(
            "Passed to the claim of",
            "The house when left out.",
            among=parties("customer"),
            empty="nobody: the house buys it",
        ),
    ] = None,
) -> Movement:
    """Takes metal off an owner's claim: bought by the house, or passed to the claim of `to`.

    No metal moves. Prices and tax are for the contract and local law. Raises InvalidError
    `house_has_no_claim`, `nothing_taken`, `unknown_metal`, `not_positive`, `too_large`,
    `same_owner`; ConflictError `claim_overdrawn`.
    """
    check_claim(owner, metals)
    taker = to or house()
    if taker == owner:
        raise refuse("same_owner:ownership", field="to", value=taker.code)
    lines = [ClaimLine(owner, metal, -mass_ug) for metal, mass_ug in metals.items()]
    if not taker.is_house:
        lines += [ClaimLine(taker, metal, mass_ug) for metal, mass_ug in metals.items()]
    return post(
        Draft(
            kind=Movement.Kind.CLAIM,
            stage=Movement.Stage.STORE,
            cause=PURCHASE if taker.is_house else TRANSFER,
            claims=lines,
            counterparty=owner,
        ),
        act,
    )


SETTLE_CLAIM: Final = Event(
    settle_claim,
    at="claims/settle",
    name="settle-claim",
    about="""Take metal off an owner's claim: bought by the house, or passed to another's claim.

    Prices and tax are for the contract and local law.
    """,
    title="Settle a claim",
    lead="No metal moves: what is owed does. Prices and tax are for the contract and local law.",
    button="Take it off the claim",
    done="The claim is lower by as much.",
    roles=OFFICE,
    menu=Menu("BENCH", "Settle a claim", 80, group="Office", hint="What is owed out of the pool"),
)


def _standing(lot: Lot, act: Act) -> tuple[Party, Place]:
    """Owner and place at that moment; a later change of place would hide this one's owner."""
    standing = standings_of([lot], AsOf(act.moment)).get(lot.pk)
    if standing is None:
        raise refuse(
            "lot_not_there_yet", field="occurred_at", value=act.moment.isoformat(), lot=lot.code
        )
    if LotStanding.objects.filter(lot=lot, occurred_at__gt=act.moment).exists():
        raise refuse(
            "lot_moved_since:ownership",
            field="occurred_at",
            value=act.moment.isoformat(),
            lot=lot.code,
        )
    return Party.objects.get(pk=standing.owner_id), Place.objects.get(pk=standing.place_id)
