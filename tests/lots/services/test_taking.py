"""Portions out of lots: metals in proportion, each owner's part known, every microgram placed."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace

import pytest

from lots.ledger.holdings import holding
from lots.ledger.recording import Act
from lots.models import Lot
from lots.services.process_batches import Inputs, start_batch
from lots.services.taking import Take, commingled_claims, into, take
from tests.builders import GRAM, receive
from tests.refused import refused

Make = Callable[..., Act]


def test_a_portion_takes_every_metal_in_proportion(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 100)
    taken = take([Take(lot, mass_ug=40 * GRAM)], act(1))
    assert taken.metals == {"Ag": 37 * GRAM, "Cu": 3 * GRAM}
    assert (taken.mass_ug, taken.volume_ul) == (40 * GRAM, 0)
    assert [(line.metal, line.mass_ug) for line in taken.lines] == [
        ("Ag", -37 * GRAM),
        ("Cu", -3 * GRAM),
    ]
    assert [(line.lot, line.mass_ug) for line in taken.materials] == [(lot, -40 * GRAM)]
    assert holding(lot).mass_ug == 100 * GRAM, "nothing is posted yet"


def test_the_whole_lot_takes_every_last_microgram(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 0.000007, {"Ag": Decimal(333), "Cu": Decimal(333)})
    assert take([Take(lot)], act(1)).metals == holding(lot).metals == {"Ag": 2, "Cu": 2}
    third = take([Take(lot, mass_ug=2)], act(1))
    assert third.metals == {"Ag": 1, "Cu": 1}


def test_what_each_owner_gave_becomes_a_claim_of_the_same_mass(
    works: SimpleNamespace, act: Make
) -> None:
    own = receive(works, act(), 10)
    isoldes = [receive(works, act(), grams, owner=works.brackwater) for grams in (20, 4)]
    danes = receive(works, act(), 40, {"Ag": Decimal(800)}, owner=works.pellow)
    taken = take([Take(lot) for lot in (own, *isoldes, danes)], act(1))
    assert taken.sole_owner() is None
    assert taken.by_owner == {
        works.house.pk: {"Ag": 9_250_000, "Cu": 750_000},
        works.brackwater.pk: {"Ag": 22_200_000, "Cu": 1_800_000},
        works.pellow.pk: {"Ag": 32_000_000},
    }
    claims = {(each.owner, each.metal): each.mass_ug for each in commingled_claims(taken)}
    assert claims == {
        (works.brackwater, "Ag"): 22_200_000,
        (works.brackwater, "Cu"): 1_800_000,
        (works.pellow, "Ag"): 32_000_000,
    }


def test_one_owners_lots_have_a_sole_owner(works: SimpleNamespace, act: Make) -> None:
    lots = [receive(works, act(), 10, owner=works.pellow) for _ in "ab"]
    taken = take([Take(lot) for lot in lots], act(1))
    assert taken.sole_owner() == works.pellow
    lines, materials = into(lots[0], works.pellow, taken)
    assert sum(line.mass_ug for line in (*lines, *taken.lines)) == 0
    assert sum(line.mass_ug for line in (*materials, *taken.materials)) == 0


def test_nothing_taken_or_one_lot_twice_is_refused(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10)
    with refused("nothing_taken", "inputs"):
        take([], act(1))
    with refused("taken_twice", "charge.1"):
        take([Take(lot, 1), Take(lot, 1)], act(1), field="charge")


@pytest.mark.parametrize("mass_ug", [0, -1])
def test_a_portion_is_more_than_nothing(works: SimpleNamespace, act: Make, mass_ug: int) -> None:
    lot = receive(works, act(), 10)
    with refused("not_positive", "inputs.0.mass"):
        take([Take(lot, mass_ug=mass_ug)], act(1))


def test_more_than_there_is_is_refused(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10)
    with refused("more_than_there_is", "inputs.0.mass") as caught:
        take([Take(lot, mass_ug=10 * GRAM + 1)], act(1))
    assert caught.value.status == 409
    with refused("more_than_there_is", "inputs.0.volume"):
        take([Take(lot, volume_ul=1)], act(1))


def test_what_comes_later_cannot_be_taken_earlier(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(3), 10)
    with refused("lot_is_empty", "inputs.0"):
        take([Take(lot)], act(2))


@pytest.mark.parametrize("state", ["in_process", "quarantined", "spent", "shipped"])
def test_a_lot_that_is_not_at_hand_is_refused(
    works: SimpleNamespace, act: Make, state: str
) -> None:
    lot = receive(works, act(), 10)
    Lot.objects.filter(pk=lot.pk).update(state=state, state_reason="see the note")
    with refused("lot_not_available", "inputs.0") as caught:
        take([Take(lot)], act(1))
    assert "see the note" in caught.value.message


def test_a_lot_taken_meanwhile_is_seen_although_the_caller_has_an_old_copy(
    works: SimpleNamespace, act: Make
) -> None:
    lot = receive(works, act(), 10)
    old_copy = Lot.objects.get(pk=lot.pk)
    start_batch(
        kind="melt", place=works.places["melt-bench"], inputs=Inputs([Take(lot)]), act=act(1)
    )
    with refused("lot_not_available", "inputs.0"):
        take([Take(old_copy)], act(2))


def test_a_portion_is_told_by_mass_or_by_volume(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10)
    with refused("mass_or_volume", "inputs.0.mass"):
        take([Take(lot, mass_ug=1, volume_ul=1)], act(1))
