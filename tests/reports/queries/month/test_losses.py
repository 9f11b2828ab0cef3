"""Losses by stage and cause, against throughput, valued at the works' own prices."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from lots.ledger.reversal import reverse_movement
from lots.models import Entry, Movement
from lots.services.shipping import ship_lot
from lots.services.write_off import write_off
from reports.conventions import value_of
from reports.queries.month.losses import LossRow, loss_entries, losses, prices_on
from reports.queries.month.periods import Period
from reports.services.prices import record_price
from tests.reports.conftest import G, on

Make = Callable[..., Any]
SPRING = (on(4, 1, 0), on(6, 1, 0))


def find(rows: Any, **wanted: object) -> LossRow:
    (row,) = [
        row for row in rows if all(getattr(row, name) == value for name, value in wanted.items())
    ]
    found: LossRow = row
    return found


def test_losses_tell_measured_from_unmeasured(spring: SimpleNamespace) -> None:
    report = losses(*SPRING)
    spill = find(report.rows, account="loss", cause="spill", metal="Ag")
    assert (spill.month, spill.stage, spill.mass_ug) == (
        dt.date(2026, 4, 1),
        "fine_melt",
        5_000_001,
    )
    assert spill.is_measured
    melt = find(report.rows, account="melt-difference", metal="Ag")
    assert (melt.stage, melt.is_measured, melt.mass_ug) == ("receipt", False, 3_942_170)
    # A gain of gold is negative: 0.375 g by the declaration, 0.47838 g by assay of the bar.
    assert find(report.rows, account="melt-difference", metal="Au").mass_ug == -103_380


def test_losses_of_all_accounts_equal_the_ledgers(spring: SimpleNamespace) -> None:
    report = losses(*SPRING)
    entries = Entry.objects.filter(account__kind__in=["loss", "difference"])
    assert sum(row.mass_ug for row in report.rows) == sum(entry.mass_ug for entry in entries)
    assert sum(row.mass_ug for row in report.by_stage()) == sum(row.mass_ug for row in report.rows)
    assert sum(row.mass_ug for row in report.trend()) == sum(row.mass_ug for row in report.rows)


def test_throughput_of_a_stage_is_what_was_brought_into_it(spring: SimpleNamespace) -> None:
    report = losses(*SPRING)
    melt = find(report.rows, account="melt-difference", metal="Ag")
    received = 925 * G + 479_200_000 + 560 * G
    melted = 479_200_000 + 240 * G
    assert melt.throughput_ug == received + melted
    assert melt.percent == Decimal("0.1469")
    # Nothing was brought into the fine melt, so there is nothing to take a percentage of.
    assert find(report.rows, cause="spill", metal="Ag").percent is None
    april = (dt.date(2026, 4, 1), "store", "Ag")
    assert report.throughput[april] == received


def test_throughput_of_shipping_is_what_left_by_the_door(spring: SimpleNamespace, at: Make) -> None:
    ship_lot(lot=spring.bar, to=spring.works.pellow, act=at(5, 4))
    report = losses(*SPRING)
    assert report.throughput[dt.date(2026, 5, 1), "shipping", "Ag"] == 715_257_830


def test_reversed_loss_is_none_and_a_reversed_receipt_no_throughput(
    spring: SimpleNamespace, at: Make
) -> None:
    reverse_movement(movement=spring.spilled, reason="found", act=at(5, 4))
    report = losses(*SPRING)
    assert find(report.rows, cause="spill", metal="Ag").mass_ug == 0
    moved = Movement.objects.get(kind="transfer")
    reverse_movement(movement=moved, reason="not moved", act=at(5, 4))
    receipt = Entry.objects.get(lot=spring.apart, metal="Ag").movement
    reverse_movement(movement=receipt, reason="never came", act=at(5, 4))
    april = (dt.date(2026, 4, 1), "store", "Ag")
    assert losses(*SPRING).throughput[april] == 479_200_000 + 560 * G


def test_trend_sets_month_beside_month(spring: SimpleNamespace) -> None:
    silver = [each for each in losses(*SPRING).trend() if each.metal == "Ag"]
    assert [(f"{each.month:%Y-%m}", each.stage) for each in silver] == [
        ("2026-04", "receipt"),
        ("2026-04", "fine_melt"),
        ("2026-05", "receipt"),
    ]
    may = silver[2]
    assert (may.measured_ug, may.unmeasured_ug) == (2_400_000, 0)


def test_a_loss_is_drilled_down_to_its_movements(spring: SimpleNamespace) -> None:
    entries = loss_entries(*SPRING, stage="fine_melt", cause="spill", account="loss", metal="Ag")
    assert [entry.movement for entry in entries] == [spring.spilled]
    assert not loss_entries(*SPRING, metal="Rh").exists()


def test_month_of_a_loss_is_the_works_own(
    spring: SimpleNamespace, at: Make, keep_time_in: Callable[[str], None]
) -> None:
    # One in the afternoon of the 30th of April is already May in Auckland.
    write_off(lot=spring.crystal, cause="fume", stage="store", act=at(4, 30, 13), mass_ug=G)
    assert find(losses(*SPRING).rows, cause="fume").month == dt.date(2026, 4, 1)
    keep_time_in("Pacific/Auckland")
    assert find(losses(*SPRING).rows, cause="fume").month == dt.date(2026, 5, 1)


def test_losses_are_valued_at_the_price_in_force_on_the_last_day(
    spring: SimpleNamespace, at: Make, april: Period
) -> None:
    for day, price in ((1, "900"), (30, "1000.50"), (31, "1")):
        record_price(
            metal="Ag",
            per_unit="ozt",
            price=Decimal(price),
            currency="EUR",
            from_date=dt.date(2026, 4, 1) + dt.timedelta(days=day - 1),
            act=at(5, 1),
        )
    assert prices_on(dt.date(2026, 4, 29), "EUR")["Ag"].price == 900
    report = losses(april.starts_at, april.ends_at, currency="EUR")
    spill = find(report.rows, cause="spill", metal="Ag")
    # 5.000001 g is 0.160753 ozt.
    assert spill.value == Decimal("160.83") == value_of(5_000_001, "ozt", Decimal("1000.50"))
    assert find(report.rows, account="melt-difference", metal="Au").value is None
    assert value_of(-G, "g", Decimal("1.005")) == Decimal("-1.00")
    assert losses(april.starts_at, april.ends_at, currency="USD").prices == {}


def test_losses_as_recorded_earlier(spring: SimpleNamespace) -> None:
    assert losses(*SPRING, recorded=on(1, 1)).rows == ()


def test_losses_ask_a_fixed_number_of_queries(
    spring: SimpleNamespace, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(4):
        report = losses(*SPRING, currency="EUR")
        report.by_stage()
        report.trend()


@pytest.mark.parametrize(
    ("changed", "code", "field"),
    [
        ({"metal": "Xx"}, "unknown_metal", "metal"),
        ({"per_unit": "oz"}, "unknown_unit", "per_unit"),
        ({"currency": "euro"}, "unknown_currency", "currency"),
        ({"price": Decimal(0)}, "not_positive", "price"),
        ({"price": Decimal(-1)}, "not_positive", "price"),
        ({"price": Decimal("NaN")}, "not_a_number", "price"),
        ({"price": Decimal("Infinity")}, "not_a_number", "price"),
        ({"price": Decimal("1e308")}, "too_large", "price"),
        ({"price": Decimal("1.00001")}, "too_many_digits", "price"),
        ({"source": "x" * 121}, "too_long", "source"),
        ({}, "price_exists", "from_date"),
    ],
)
def test_price_refused(
    works: SimpleNamespace,
    at: Make,
    refused: Make,
    changed: dict[str, Any],
    code: str,
    field: str,
) -> None:
    price: dict[str, Any] = {
        "metal": "Ag",
        "per_unit": "g",
        "price": Decimal("1.2345"),
        "currency": "EUR",
        "from_date": dt.date(2026, 5, 1),
    }
    record_price(**price, act=at(5, 1))
    with refused(code, field):
        record_price(**{**price, **changed}, act=at(5, 1))
