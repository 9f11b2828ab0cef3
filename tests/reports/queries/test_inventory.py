"""What is there, whose and where, as of any moment."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pytest

from lots import clock
from lots.ledger.holdings import AsOf
from lots.ledger.reversal import reverse_movement
from lots.measurements.weighings import Weight
from lots.models import Movement
from lots.services.receipt import Receipt, receive_lot
from reports.queries.inventory import inventory

G = 1_000_000


def find(held: Any, **wanted: str) -> list[Any]:
    return list(held.only(**wanted).rows)


def test_inventory_groups_by_metal_form_owner_and_place(spring: SimpleNamespace) -> None:
    held = inventory()
    (own,) = find(held, metal="Ag", owner="brackwater")
    assert (own.form, own.place, own.area, own.lots) == ("granules", "quarantine", "quarantine", 1)
    assert own.mass_ug == 925 * G
    in_safe = find(held, metal="Ag", place="fine-safe")
    assert {row.form: row.mass_ug for row in in_safe} == {
        "fine_crystal": 2000 * G - 5_000_001,
        "bar": 715_257_830,
    }
    assert own.form_name == "Granules"
    assert own.area_name == "Quarantine"


def test_inventory_identity_holds_per_metal(spring: SimpleNamespace) -> None:
    for position in inventory().positions:
        assert position.adrift_ug == 0
    silver = inventory().positions[0]
    assert silver.kept_apart_ug == 925 * G
    assert silver.claims_ug == 479_200_000
    assert silver.holdings_ug == silver.kept_apart_ug + silver.claims_ug + silver.house_ug


def test_inventory_as_of_an_earlier_moment_has_the_earlier_place(spring: SimpleNamespace) -> None:
    held = inventory(AsOf(dt.datetime(2026, 4, 5, tzinfo=dt.UTC)))
    (own,) = find(held, metal="Ag", owner="brackwater")
    assert own.place == "feed-shelf"
    (crystal,) = find(held, metal="Ag", form="fine_crystal")
    assert crystal.mass_ug == 2000 * G
    assert [row.lots for row in find(held, metal="Ag", owner="pellow-dane")] == [1]
    assert all(position.adrift_ug == 0 for position in held.positions)


def test_inventory_as_recorded_earlier_leaves_out_what_was_written_later(
    spring: SimpleNamespace, at: Any
) -> None:
    before = Movement.objects.order_by("sequence").last()
    assert before is not None
    with clock.at(before.recorded_at + dt.timedelta(minutes=5)):
        reverse_movement(movement=spring.spilled, reason="found it", act=at(4, 20))
    (now,) = find(inventory(), metal="Ag", form="fine_crystal")
    then = inventory(AsOf(recorded=before.recorded_at))
    (as_written,) = find(then, metal="Ag", form="fine_crystal")
    assert now.mass_ug - as_written.mass_ug == 5_000_001


def test_inventory_of_an_empty_ledger_is_empty(works: SimpleNamespace) -> None:
    assert inventory().rows == ()
    assert inventory().positions == ()


@pytest.mark.parametrize("more_lots", [0, 6])
def test_inventory_asks_five_queries_however_many_lots(
    spring: SimpleNamespace, at: Any, django_assert_num_queries: Any, more_lots: int
) -> None:
    works = spring.works
    for day in range(more_lots):
        receipt = Receipt(
            party=works.pellow,
            owner=works.pellow,
            form="granules",
            place=works.places["feed-shelf"],
            weight=Weight(50 * G, 0, works.balance),
            declared={"Ag": 925},  # type: ignore[dict-item]
        )
        receive_lot(receipt=receipt, act=at(4, 15 + day))
    with django_assert_num_queries(5):
        inventory()
