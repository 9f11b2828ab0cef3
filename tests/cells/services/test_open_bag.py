"""A bag that was waiting when the ledger began stands in the queue like any other."""

from __future__ import annotations

import datetime as dt

import pytest

from cells.models import SlimesBag
from cells.queries.slimes_queue import slimes_queue
from cells.services.open_bag import WaitingBag, open_bag
from cells.services.slimes_recovery import group_bags
from config.refusals import ConflictError, InvalidError
from lots.ledger.holdings import holding
from lots.ledger.reversal import reverse_movement
from lots.models import Lot, Movement
from lots.services.opening import Amount

GOLD = {"Au": Amount(18_900_000, 900_000), "Ag": Amount(27_400_000, 2_000_000)}


def opened(works, act, hours=0.0, **changed):
    bag = WaitingBag(works.places["slimes-cabinet"], GOLD, mass_ug=61_200_000, **changed)
    return open_bag(bag=bag, act=act(hours))


def test_an_opened_bag_waits_with_what_it_should_hold(works, act):
    bag = opened(works, act)
    assert holding(bag.lot).metals == {"Au": 18_900_000, "Ag": 27_400_000}
    queue = slimes_queue(act(1).occurred_at)
    assert [(each.bag, each.expected["Au"].mass_ug) for each in queue] == [(bag, 18_900_000)]


def test_a_bag_is_opened_once_and_keeps_that_it_is_torn(works, act):
    bag = WaitingBag(works.places["slimes-cabinet"], GOLD, mass_ug=61_200_000, torn=True)
    bags = [open_bag(bag=bag, act=act(0, key="bag-1")) for _ in range(2)]
    assert bags[0] == bags[1] == SlimesBag.objects.get()
    bags[1].refresh_from_db()
    assert bags[1].torn


def test_an_opened_bag_goes_to_recovery(works, act):
    bag = opened(works, act)
    batch = group_bags(bags=[bag], place=works.places["wet-bench"], act=act(1))
    bag.refresh_from_db()
    assert (bag.state, bag.process_batch) == (SlimesBag.State.IN_RECOVERY, batch)


def test_reversing_the_opening_withdraws_the_bag_while_it_waits(works, act):
    bag = opened(works, act)
    reverse_movement(movement=Movement.objects.get(), reason="wrong cabinet", act=act(1))
    bag.refresh_from_db()
    assert bag.state == SlimesBag.State.WITHDRAWN
    assert holding(bag.lot).is_empty


def test_reversing_the_opening_is_refused_once_it_is_in_recovery(works, act):
    bag = opened(works, act)
    opening = Movement.objects.get()
    group_bags(bags=[bag], place=works.places["wet-bench"], act=act(1))
    with pytest.raises(ConflictError) as refused:
        reverse_movement(movement=opening, reason="wrong cabinet", act=act(2))
    assert refused.value.code == "bag_not_waiting"


def test_a_bag_taken_later_than_it_is_opened_is_refused(works, act):
    with pytest.raises(InvalidError) as refused:
        opened(works, act, bagged_at=act(0).occurred_at + dt.timedelta(hours=1))
    assert (refused.value.code, refused.value.field) == ("bagged_later", "bagged_at")
    assert (Lot.objects.count(), SlimesBag.objects.count()) == (0, 0)
