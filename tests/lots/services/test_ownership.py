"""Changes of owner, and claims settled without metal moving."""

from __future__ import annotations

import pytest

from lots.ledger.drafts import Draft, Line
from lots.ledger.holdings import balances, claims_of, holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.reversal import reverse_movement
from lots.models import Lot, Movement
from lots.services.opening import open_claim
from lots.services.ownership import change_owner, settle_claim
from lots.services.shipping import return_to_customer
from lots.services.splitting import Part, split_lot
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from tests.lots.ledger.test_posting import post_draft

G = 1_000_000


@pytest.fixture
def pool(works, act, received):
    """The house's own silver, 999 g, and a claim of Pellow & Dane on 400 g of it."""
    lot = received(1000, owner=works.house, declared={"Ag": "999"})
    open_claim(owner=works.pellow, metals={"Ag": 400 * G}, act=act(0.5))
    return lot


def test_a_lot_bought_outright_is_the_houses_own(works, act, received):
    lot = received(1000)
    movement = change_owner(lot=lot, owner=works.house, act=act(1))
    lot.refresh_from_db()
    assert (lot.owner, movement.cause) == (works.house, "purchase")
    assert holding(lot).metals == {"Ag": 925 * G, "Cu": 75 * G}
    assert claims_of(works.house) == {"Ag": 925 * G, "Cu": 75 * G}
    assert claims_of(works.brackwater) == {}


def test_a_lot_that_joins_the_pool_leaves_a_claim(works, act, received):
    lot = received(1000)
    change_owner(lot=lot, owner=works.house, act=act(1), as_claim=True)
    assert claims_of(works.brackwater) == {"Ag": 925 * G, "Cu": 75 * G}
    assert claims_of(works.house) == {}


def test_a_lot_passes_between_customers_kept_apart(works, act, received):
    lot = received(1000)
    change_owner(lot=lot, owner=works.pellow, act=act(1))
    split_lot(lot=lot, parts=[Part(mass_ug=500 * G)], act=act(2))
    assert Lot.objects.filter(owner=works.pellow).count() == 2
    assert claims_of(works.pellow) == {}
    assert {row["total"] for row in balances() if row["metal"] == "Ag"} == {462_500_000}


def test_a_lot_is_set_apart_for_a_customer_out_of_the_claim(works, act, pool):
    (bar,) = (
        each.lot
        for each in split_lot(lot=pool, parts=[Part(mass_ug=300 * G)], act=act(1)).standings.all()
    )
    change_owner(lot=bar, owner=works.pellow, act=act(2), as_claim=True)
    bar.refresh_from_db()
    assert bar.owner == works.pellow
    assert claims_of(works.pellow) == {"Ag": 100_300_000}
    assert claims_of(works.house) == {"Ag": 599 * G}


@pytest.mark.parametrize("as_claim", [False, True])
def test_reversal_gives_the_lot_back_to_its_owner(works, act, received, comes_back, as_claim):
    lot = received(1000)
    with comes_back():
        change_owner(lot=lot, owner=works.house, act=act(1), as_claim=as_claim)


def test_a_lot_larger_than_the_claim_is_not_set_apart(works, act, pool, refused):
    with refused("claim_overdrawn", "Ag"):
        change_owner(lot=pool, owner=works.pellow, act=act(1), as_claim=True)


def test_the_same_owner_or_a_claim_without_the_pool_is_refused(works, act, received, refused):
    lot = received(1000)
    with refused("same_owner", "owner"):
        change_owner(lot=lot, owner=works.brackwater, act=act(1))
    with refused("claim_needs_the_pool", "as_claim"):
        change_owner(lot=lot, owner=works.pellow, act=act(1), as_claim=True)


def test_a_moment_before_the_lot_or_before_a_later_change_is_refused(works, act, received, refused):
    lot = received(1000, hours=1)
    with refused("lot_not_there_yet", "occurred_at"):
        change_owner(lot=lot, owner=works.house, act=act(0))
    transfer_lot(lot=lot, place=works.places["fine-safe"], act=act(3))
    with refused("lot_moved_since", "occurred_at"):
        change_owner(lot=lot, owner=works.house, act=act(2))


def test_a_lot_already_returned_is_refused(works, act, received, refused):
    lot = received(1000)
    return_to_customer(lot=lot, customer=works.brackwater, act=act(1))
    with refused("lot_not_available", "lot"):
        change_owner(lot=lot, owner=works.house, act=act(2))


def test_a_claim_is_bought_or_passed_on_and_no_metal_moves(works, act, pool):
    bought = settle_claim(owner=works.pellow, metals={"Ag": 150 * G}, act=act(1))
    passed = settle_claim(
        owner=works.pellow, metals={"Ag": 50 * G}, act=act(2), to=works.brackwater
    )
    assert [bought.kind, bought.cause, passed.cause] == ["claim", "purchase", "transfer"]
    assert claims_of(works.pellow) == {"Ag": 200 * G}
    assert claims_of(works.brackwater) == {"Ag": 50 * G}
    assert claims_of(works.house) == {"Ag": 749 * G}
    assert not bought.entries.exists()
    assert holding(pool).metals == {"Ag": 999 * G}


def test_reversal_brings_the_claim_back(works, act, pool, comes_back):
    with comes_back():
        settle_claim(owner=works.pellow, metals={"Ag": 150 * G}, act=act(1))
        settle_claim(owner=works.pellow, metals={"Ag": G}, act=act(1), to=works.brackwater)


@pytest.mark.parametrize(
    ("metals", "code", "field"),
    [
        ({}, "nothing_taken", "metals"),
        ({"Ag": 0}, "not_positive", "metals.Ag"),
        ({"Ag": -1}, "not_positive", "metals.Ag"),
        ({"Qq": 1}, "unknown_metal", "metals.Qq"),
        ({"Ag": 10**14}, "too_large", "metals.Ag"),
        ({"Ag": 400 * G + 1}, "claim_overdrawn", "Ag"),
        ({"Au": 1}, "claim_overdrawn", "Au"),
    ],
)
def test_a_settlement_that_cannot_be_is_refused(works, act, pool, refused, metals, code, field):
    with refused(code, field):
        settle_claim(owner=works.pellow, metals=metals, act=act(1))


def test_nobody_settles_with_the_same_owner_or_for_the_house(works, act, pool, refused):
    with refused("same_owner", "to"):
        settle_claim(owner=works.pellow, metals={"Ag": 1}, act=act(1), to=works.pellow)
    with refused("house_has_no_claim", "owner"):
        settle_claim(owner=works.house, metals={"Ag": 1}, act=act(1))
    assert not Movement.objects.filter(kind="claim").exists()


def test_what_would_stay_the_old_owners_for_a_time_is_refused_too(works, act, received, refused):
    lot, _ = received(1000), received(500)
    lost = write_off(lot=lot, cause="spill", stage="store", act=act(1), mass_ug=10 * G)
    change_owner(lot=lot, owner=works.pellow, act=act(2))
    change_owner(lot=lot, owner=works.brackwater, act=act(4))
    with refused("changed_hands_since", "occurred_at") as caught:
        reverse_movement(movement=lost, reason="It was found.", act=act(5))
    assert caught.value.value == lot.code


def test_metal_put_down_late_for_an_earlier_owner_is_told_to_the_microgram(
    works, act, received, refused
):
    lot = received(1000)
    change_owner(lot=lot, owner=works.pellow, act=act(2))
    found = {"metal": "Pd", "owner": works.brackwater}
    lines = [Line(mass_ug=G, lot=lot, **found), Line(mass_ug=-G, account="loss", **found)]
    draft = Draft(kind=Movement.Kind.MELT, stage=Movement.Stage.STORE, lines=lines)
    with refused("changed_hands_since", "occurred_at") as caught:
        post_draft(draft=draft, act=act(1))
    assert "1.000000 g Pd" in caught.value.message


def test_what_is_put_down_late_leaves_nothing_of_the_old_owners_behind(
    works, act, received, refused
):
    lot = received(1000)
    lost = write_off(lot=lot, cause="spill", stage="store", act=act(1), mass_ug=10 * G)
    change_owner(lot=lot, owner=works.house, act=act(2))
    with refused("changed_hands_since", "occurred_at"):
        reverse_movement(movement=lost, reason="It was found.", act=act(3))
    with refused("lot_overdrawn", "Ag"):
        write_off(lot=lot, cause="spill", stage="store", act=act(1.5), mass_ug=10 * G)
    write_off(lot=lot, cause="spill", stage="store", act=act(2.5), mass_ug=10 * G)
    assert not [result for result in run_checks() if result.found]
