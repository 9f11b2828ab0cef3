"""A check weighing that does not agree with the book."""

from __future__ import annotations

import pytest

from lots.ledger import accounts
from lots.ledger.holdings import AsOf, holding
from lots.ledger.reversal import reverse_movement
from lots.measurements.weighing_difference import post_weighing_difference
from lots.measurements.weighings import Weight, record_weighing
from lots.measurements.withdrawal import withdraw_measurement
from lots.models import Entry, Lot, MaterialEntry
from lots.services.quarantine import quarantine_lot
from lots.services.splitting import Part, split_lot

G = 1_000_000


@pytest.fixture
def weighed(works, act):
    def weigh(lot, grams, hours=1.0):
        weight = Weight(int(grams * G), 0, works.balance)
        return record_weighing(lot=lot, weight=weight, purpose="check", act=act(hours))

    return weigh


@pytest.mark.parametrize(
    ("grams", "silver", "copper"), [(990, 915_750_000, 74_250_000), (1004, 928_700_000, 75_300_000)]
)
def test_material_follows_the_weighing_and_metals_follow_in_proportion(
    act, received, weighed, grams, silver, copper
):
    lot = received(1000)
    weighing = weighed(lot, grams)
    movement = post_weighing_difference(weighing=weighing, reason="tare was wrong", act=act(2))
    assert holding(lot).mass_ug == grams * G
    assert holding(lot).metals == {"Ag": silver, "Cu": copper}
    balance = Entry.objects.get(account__code=accounts.WEIGHING_DIFFERENCE, metal="Ag")
    assert (balance.mass_ug, balance.owner) == (925 * G - silver, lot.owner)
    assert movement.entries.get(lot=lot, metal="Ag").quantity_by_id == weighing.pk
    assert (movement.kind, movement.note) == ("weighing_difference", "tare was wrong")
    assert movement.material_entries.get().quantity_by_id == weighing.pk


def test_a_lot_found_many_times_heavier_keeps_its_fineness(act, received, weighed):
    lot = received(10)
    post_weighing_difference(weighing=weighed(lot, 35), reason="kilograms read", act=act(2))
    assert holding(lot).metals == {"Ag": 32_375_000, "Cu": 2_625_000}


def test_reversal_restores_the_book(act, received, weighed, comes_back):
    lot = received(1000)
    weighing = weighed(lot, 990)
    with comes_back():
        post_weighing_difference(weighing=weighing, reason="tare was wrong", act=act(2))


def test_a_weighing_alone_changes_nothing(received, weighed):
    lot = received(1000)
    before = holding(lot)
    weighed(lot, 990)
    assert holding(lot) == before


@pytest.mark.parametrize(
    ("reason", "code"), [("", "empty"), ("x" * 201, "too_long"), ("a\x07", "not_text")]
)
def test_a_difference_needs_a_reason(act, received, weighed, refused, reason, code):
    weighing = weighed(received(1000), 990)
    with refused(code, "reason"):
        post_weighing_difference(weighing=weighing, reason=reason, act=act(2))


def test_a_weighing_that_agrees_or_was_posted_or_withdrawn_is_refused(
    act, received, weighed, refused
):
    lot = received(1000)
    agrees, wrong, light = weighed(lot, 1000), weighed(lot, 500), weighed(lot, 990)
    with refused("no_difference", "weighing"):
        post_weighing_difference(weighing=agrees, reason="check", act=act(2))
    withdraw_measurement(measurement=wrong, reason="misread", act=act(2))
    with refused("weighing_withdrawn", "weighing"):
        post_weighing_difference(weighing=wrong, reason="check", act=act(2))
    post_weighing_difference(weighing=light, reason="check", act=act(2))
    with refused("already_posted", "weighing"):
        post_weighing_difference(weighing=light, reason="check", act=act(3))


def test_a_weighing_of_what_is_no_longer_so_is_refused(act, received, weighed, refused):
    lot = received(1000)
    weighing = weighed(lot, 990)
    with refused("weighed_later", "occurred_at"):
        post_weighing_difference(weighing=weighing, reason="check", act=act(0.5))
    split_lot(lot=lot, parts=[Part(mass_ug=G)], act=act(2))
    with refused("lot_moved_since", "weighing"):
        post_weighing_difference(weighing=weighing, reason="check", act=act(3))


def test_a_difference_taken_back_can_be_posted_after_all(act, received, weighed):
    lot = received(1000)
    weighing = weighed(lot, 990)
    movement = post_weighing_difference(weighing=weighing, reason="check", act=act(2))
    reverse_movement(movement=movement, reason="too soon", act=act(3))
    post_weighing_difference(weighing=weighing, reason="it was right", act=act(4))
    assert holding(lot).mass_ug == 990 * G


def test_only_what_came_or_went_after_the_weighing_is_in_the_way(act, received, weighed):
    lot, other = received(1000), received(500)
    at_the_door = weighed(lot, 990, hours=0)
    split_lot(lot=other, parts=[Part(mass_ug=G)], act=act(1))
    post_weighing_difference(weighing=at_the_door, reason="check", act=act(0))
    assert holding(lot).mass_ug == 990 * G


def test_a_difference_dated_before_a_ruling_is_of_the_content_then(act, received, weighed, rule):
    lot = received(1000, declared={"Ag": "900"})
    weighing = weighed(lot, 990)
    rule(lot, {"Ag": "950"}, hours=3)
    post_weighing_difference(weighing=weighing, reason="check", act=act(2))
    assert holding(lot, AsOf(act(2).moment)).metals == {"Ag": 891 * G}


def test_a_lot_set_aside_is_corrected_where_it_stands(act, received, weighed):
    lot = received(1000)
    quarantine_lot(lot=lot, reason="torn bag", act=act(0.5))
    post_weighing_difference(weighing=weighed(lot, 990), reason="check", act=act(2))
    lot.refresh_from_db()
    assert (lot.state, holding(lot).mass_ug) == (Lot.State.QUARANTINED, 990 * G)


def test_a_solution_is_not_corrected_by_weight(act, solution, weighed, refused):
    weighing = weighed(solution(), 1050)
    with refused("not_known_by_weight", "weighing"):
        post_weighing_difference(weighing=weighing, reason="check", act=act(2))
    assert not MaterialEntry.objects.filter(movement__kind="weighing_difference").exists()
