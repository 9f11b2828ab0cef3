"""A lot received at the door: on the books with its declared content, or refused whole."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from types import SimpleNamespace

import pytest

from lots.ledger.holdings import claims_of, holding
from lots.ledger.recording import Act
from lots.measurements.weighings import Weight
from lots.models import Balance, ClaimEntry, Entry, Lot, Movement, Weighing
from lots.services.receipt import receive_lot
from tests.builders import GRAM, STERLING, receipt_of, receive
from tests.refused import refused

Make = Callable[..., Act]


def test_flatware_bought_outright_is_the_houses(works: SimpleNamespace, act: Make) -> None:
    weight = Weight(1_250_000_000, 30_000_000, works.balance, entered_as="1250 g / 30 g")
    lot = receive_lot(receipt=receipt_of(works, weight=weight), act=act(note="two boxes"))
    held = holding(lot)
    assert held.metals == {"Ag": 1_128_500_000, "Cu": 91_500_000}
    assert (held.mass_ug, held.volume_ul) == (1_220_000_000, 0)
    assert (lot.owner, lot.place, lot.state) == (
        works.house,
        works.places["feed-shelf"],
        "available",
    )
    assert lot.content == Lot.Content.DECLARED
    movement = Movement.objects.get()
    assert (movement.kind, movement.stage) == ("receipt", "receipt")
    assert (movement.counterparty, movement.note) == (works.brackwater, "two boxes")
    assert movement.recorded_by == works.operator
    received = Entry.objects.filter(account__code="received").values_list("metal", "mass_ug")
    assert dict(received) == {"Ag": -1_128_500_000, "Cu": -91_500_000}
    assert claims_of(works.house) == held.metals
    weighing = Weighing.objects.get()
    assert (weighing.net_ug, weighing.purpose) == (1_220_000_000, "receipt")
    # Gross and tare are two readings of one balance: sqrt(2) times its uncertainty.
    assert weighing.standard_uncertainty_ug == 141_421
    assert not weighing.calibration_overdue
    assert set(Entry.objects.values_list("quantity_by", flat=True)) == {weighing.pk}


def test_a_customers_lot_is_kept_apart_and_gives_no_claim(
    works: SimpleNamespace, act: Make
) -> None:
    lot = receive(works, act(), 40, owner=works.brackwater)
    assert lot.owner == works.brackwater
    assert set(Entry.objects.filter(lot=lot).values_list("owner", flat=True)) == {
        works.brackwater.pk
    }
    assert not ClaimEntry.objects.exists()


def test_a_lot_of_unknown_content_has_mass_alone(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 40, {})
    assert holding(lot).metals == {}
    assert holding(lot).mass_ug == 40 * GRAM
    assert lot.state == Lot.State.AVAILABLE


def test_content_is_rounded_half_even_to_the_microgram(works: SimpleNamespace, act: Make) -> None:
    weight = Weight(1_000_001, 0, works.balance)
    lot = receive_lot(
        receipt=receipt_of(works, weight=weight, declared={"Ag": Decimal("500")}), act=act()
    )
    assert holding(lot).metals == {"Ag": 500_000}


def test_a_balance_past_its_calibration_is_accepted_and_marked(
    works: SimpleNamespace, act: Make
) -> None:
    Balance.objects.update(calibration_due=dt.date(2026, 5, 3))
    works.balance.refresh_from_db()
    receive(works, act())
    assert Weighing.objects.get().calibration_overdue


def test_a_balance_is_good_on_the_day_its_calibration_ends(
    works: SimpleNamespace, act: Make
) -> None:
    Balance.objects.update(calibration_due=dt.date(2026, 5, 4))
    works.balance.refresh_from_db()
    receive(works, act())
    assert not Weighing.objects.get().calibration_overdue


def test_a_label_of_before_the_ledger_is_kept(works: SimpleNamespace, act: Make) -> None:
    made = receive(works, act())
    with refused("duplicate_code", "code"):
        receive_lot(receipt=receipt_of(works, code=made.code), act=act())
    with refused("bad_check_character", "code"):
        receive_lot(receipt=receipt_of(works, code="FD26-0001-3"), act=act())


@pytest.mark.parametrize(
    ("gross_ug", "tare_ug", "code", "field"),
    [
        (0, 0, "not_positive", "weight.gross"),
        (-1, 0, "not_positive", "weight.gross"),
        (5 * GRAM, -1, "not_positive", "weight.tare"),
        (5 * GRAM, 5 * GRAM, "tare_above_gross", "weight.tare"),
        (5 * GRAM, 6 * GRAM, "tare_above_gross", "weight.tare"),
        (6_200_000_001, 0, "above_capacity", "weight.gross"),
    ],
)
def test_a_weighing_that_cannot_be_is_refused(
    works: SimpleNamespace, act: Make, gross_ug: int, tare_ug: int, code: str, field: str
) -> None:
    weight = Weight(gross_ug, tare_ug, works.balance)
    with refused(code, field):
        receive_lot(receipt=receipt_of(works, weight=weight), act=act(key="k"))


@pytest.mark.parametrize(
    ("declared", "code", "field"),
    [
        ({"Ag": Decimal("1000.1")}, "fineness_out_of_range", "fineness.Ag"),
        ({"Ag": Decimal(-1)}, "fineness_out_of_range", "fineness.Ag"),
        ({"Ag": Decimal(925), "Cu": Decimal(76)}, "fineness_sum_above_1000", "fineness"),
        ({"Fe": Decimal(10)}, "unknown_metal", "fineness.Fe"),
        ({"Ag": Decimal("NaN")}, "not_a_number", "fineness.Ag"),
        ({"Ag": Decimal("Infinity")}, "not_a_number", "fineness.Ag"),
    ],
)
def test_content_that_cannot_be_is_refused(
    works: SimpleNamespace, act: Make, declared: dict[str, Decimal], code: str, field: str
) -> None:
    with refused(code, field):
        receive_lot(receipt=receipt_of(works, declared=declared), act=act(key="k"))


@pytest.mark.parametrize("form", ["in_process", "anode_charge", "electrolyte"])
def test_what_exists_only_inside_the_works_is_not_received(
    works: SimpleNamespace, act: Make, form: str
) -> None:
    with refused("form_not_received", "form"):
        receive_lot(receipt=receipt_of(works, form=form), act=act())


def test_the_same_request_again_gives_the_same_lot(works: SimpleNamespace, act: Make) -> None:
    receipt = receipt_of(works)
    first = receive_lot(receipt=receipt, act=act(key="k"))
    assert receive_lot(receipt=receipt, act=act(key="k")) == first
    assert (Lot.objects.count(), Movement.objects.count(), Weighing.objects.count()) == (1, 1, 1)
    with refused("idempotency_key_reused", "Idempotency-Key"):
        receive_lot(
            receipt=replace(receipt, declared=STERLING | {"Cu": Decimal(74)}), act=act(key="k")
        )
