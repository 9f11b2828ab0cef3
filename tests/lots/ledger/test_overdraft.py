"""No lot and no claim ever holds less than nothing, at any moment of its history."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace

from lots.ledger.drafts import ClaimLine, Draft, Line, MaterialLine
from lots.ledger.holdings import claims_of, holding
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.models import Movement
from tests.builders import GRAM, receive
from tests.lots.ledger.test_posting import post_draft
from tests.refused import refused

Make = Callable[..., Act]
FINE = {"Ag": Decimal(1000)}


def move(giver: object, taker: object, grams: float, **lines: object) -> Draft:
    mass_ug = round(grams * GRAM)
    return Draft(
        kind=Movement.Kind.BLEND,
        stage=Movement.Stage.STORE,
        lines=[Line("Ag", -mass_ug, lot=giver), Line("Ag", mass_ug, lot=taker)],  # type: ignore[arg-type]
        **lines,  # type: ignore[arg-type]
    )


def test_all_of_a_lot_can_be_taken_and_not_a_microgram_more(
    works: SimpleNamespace, act: Make
) -> None:
    giver, taker = receive(works, act(), 10, FINE), receive(works, act(), 10, FINE)
    with refused("lot_overdrawn", "Ag") as caught:
        post_draft(draft=move(giver, taker, 10.000001), act=act(1))
    assert caught.value.status == 409
    assert caught.value.value == giver.code
    assert giver.code in caught.value.message
    assert "2026-05-04 10:00" in caught.value.message
    assert "0.000001 g Ag" in caught.value.message
    post_draft(draft=move(giver, taker, 10), act=act(1))
    assert holding(giver).metals == {}


def test_a_back_dated_taking_that_a_later_one_relied_on_is_refused_naming_that_day(
    works: SimpleNamespace, act: Make
) -> None:
    giver, taker = receive(works, act(), 10, FINE), receive(works, act(), 10, FINE)
    post_draft(draft=move(giver, taker, 7), act=act(5))
    with refused("lot_overdrawn", "Ag") as caught:
        post_draft(draft=move(giver, taker, 4), act=act(2))
    assert giver.code in caught.value.message
    assert "2026-05-04 14:00" in caught.value.message, "the moment it would first be short"
    post_draft(draft=move(giver, taker, 3), act=act(2))
    assert holding(giver).metals == {}


def test_metal_that_comes_later_does_not_cover_an_earlier_taking(
    works: SimpleNamespace, act: Make
) -> None:
    early, late = receive(works, act(), 10, FINE), receive(works, act(3), 10, FINE)
    other = receive(works, act(), 10, FINE)
    post_draft(draft=move(late, early, 10), act=act(4))
    with refused("lot_overdrawn", "Ag") as caught:
        post_draft(draft=move(early, other, 15), act=act(2))
    assert "2026-05-04 11:00" in caught.value.message
    post_draft(draft=move(early, other, 15), act=act(4))


def test_lines_of_one_moment_count_together(works: SimpleNamespace, act: Make) -> None:
    giver, taker = receive(works, act(2), 10, FINE), receive(works, act(), 10, FINE)
    post_draft(draft=move(giver, taker, 10), act=act(2))
    assert holding(giver).metals == {}


def test_lines_of_one_movement_count_together(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10, FINE)
    twice = [Line("Ag", -6 * GRAM, lot=lot), Line("Ag", -6 * GRAM, lot=lot)]
    lost = Line("Ag", 12 * GRAM, account="loss")
    draft = Draft(kind=Movement.Kind.WRITE_OFF, stage=Movement.Stage.STORE, lines=[*twice, lost])
    with refused("lot_overdrawn", "Ag"):
        post_draft(draft=draft, act=act(1))
    draft = Draft(
        kind=Movement.Kind.MELT,
        stage=Movement.Stage.RECEIPT,
        materials=[MaterialLine(lot, mass_ug=-6 * GRAM), MaterialLine(lot, mass_ug=-6 * GRAM)],
    )
    with refused("lot_overdrawn", "mass"):
        post_draft(draft=draft, act=act(1))


def test_own_mass_and_volume_are_guarded_as_well(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10, FINE)
    for line, what in (
        (MaterialLine(lot, mass_ug=-10 * GRAM - 1), "mass"),
        (MaterialLine(lot, volume_ul=-1), "volume"),
    ):
        draft = Draft(kind=Movement.Kind.MELT, stage=Movement.Stage.RECEIPT, materials=[line])
        with refused("lot_overdrawn", what) as caught:
            post_draft(draft=draft, act=act(1))
        assert caught.value.value == lot.code


def test_a_customers_claim_is_guarded_and_the_houses_is_its_position(
    works: SimpleNamespace, act: Make
) -> None:
    own = receive(works, act(), 10, FINE)
    theirs = receive(works, act(), 4, FINE, owner=works.brackwater)
    join = Draft(
        kind=Movement.Kind.BLEND,
        stage=Movement.Stage.STORE,
        lines=[
            Line("Ag", -4 * GRAM, lot=theirs, owner=works.brackwater),
            Line("Ag", 4 * GRAM, lot=own, owner=works.house),
        ],
        claims=[ClaimLine(works.brackwater, "Ag", 4 * GRAM)],
    )
    post_draft(draft=join, act=act(1))

    def settle(grams: float, hours: float) -> None:
        claim = ClaimLine(works.brackwater, "Ag", -round(grams * GRAM))
        draft = Draft(kind=Movement.Kind.CLAIM, stage=Movement.Stage.STORE, claims=[claim])
        post_draft(draft=draft, act=act(hours))

    with refused("claim_overdrawn", "Ag") as caught:
        settle(4.000001, 2)
    assert caught.value.value == "brackwater"
    with refused("claim_overdrawn", "Ag"):
        settle(1, 0.5)
    settle(4, 2)
    assert claims_of(works.brackwater) == {}
    # Shipping more than its own metal leaves the house owing: told, not refused.
    lost = Draft(
        kind=Movement.Kind.WRITE_OFF,
        stage=Movement.Stage.STORE,
        lines=[Line("Ag", -14 * GRAM, lot=own), Line("Ag", 14 * GRAM, account="loss")],
        claims=[ClaimLine(works.pellow, "Ag", 1 * GRAM)],
    )
    post_draft(draft=lost, act=act(3))
    assert claims_of(works.house) == {"Ag": -1 * GRAM}


def test_outside_accounts_may_stand_below_zero(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10, FINE)
    found = Draft(
        kind=Movement.Kind.COUNT_ADJUSTMENT,
        stage=Movement.Stage.STORE,
        lines=[Line("Ag", -GRAM, account="count-difference"), Line("Ag", GRAM, lot=lot)],
    )
    post_draft(draft=found, act=act(1))
    assert holding(lot).metals == {"Ag": 11 * GRAM}


def test_a_receipt_whose_metal_moved_on_is_not_reversed(works: SimpleNamespace, act: Make) -> None:
    giver, taker = receive(works, act(), 10, FINE), receive(works, act(), 10, FINE)
    moved = post_draft(draft=move(giver, taker, 6), act=act(3))
    receipt = Movement.objects.get(kind="receipt", entries__lot=giver)
    with refused("lot_overdrawn", "Ag") as caught:
        reverse_movement(movement=receipt, reason="entered twice", act=act())
    assert caught.value.value == giver.code
    assert "2026-05-04 12:00" in caught.value.message
    reverse_movement(movement=moved, reason="first this", act=act())
    reverse_movement(movement=receipt, reason="entered twice", act=act())
    assert holding(giver).is_empty
