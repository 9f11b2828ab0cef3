"""A lot's balance sheet: in, out, now, and who was on the other side."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

from lots.ledger.holdings import AsOf, holding
from lots.models import Lot
from lots.services.splitting import Part, split_lot
from reports.queries.lot.lot_sheet import lot_balances, lot_list, lot_sheet

G = 1_000_000


def test_sheet_of_a_lot_runs_to_what_it_holds(spring: SimpleNamespace) -> None:
    sheet = lot_sheet(spring.house_feed)
    silver = [line for line in sheet.lines if line.metal == "Ag"]
    assert [(line.kind, line.mass_ug, line.balance_ug) for line in silver] == [
        ("receipt", 560 * G, 560 * G),
        ("batch_input", -240 * G, 320 * G),
        ("write_off", -2_400_000, 317_600_000),
    ]
    assert silver[0].counterparts == ("Received from suppliers and customers",)
    assert silver[1].counterparts == (spring.batch.vessel.code,)
    assert silver[2].counterparts == ("Written off",)
    assert sheet.holding == holding(spring.house_feed)
    balance = next(each for each in sheet.metals if each.metal == "Ag")
    assert (balance.in_ug, balance.out_ug, balance.now_ug) == (560 * G, 242_400_000, 317_600_000)


def test_every_sheet_ends_with_the_lots_holding(spring: SimpleNamespace) -> None:
    for lot in Lot.objects.all():
        sheet = lot_sheet(lot)
        now = {each.metal: each.now_ug for each in sheet.metals if each.now_ug}
        assert now == holding(lot).metals
        kinds: dict[str, int] = {}
        for each in sheet.kinds:
            kinds[each.metal] = kinds.get(each.metal, 0) + each.mass_ug
        assert {metal: total for metal, total in kinds.items() if total} == now


def test_sheet_as_of_an_earlier_moment(spring: SimpleNamespace) -> None:
    sheet = lot_sheet(spring.apart, AsOf(dt.datetime(2026, 4, 30, tzinfo=dt.UTC)))
    assert sheet.place_id == spring.works.places["feed-shelf"].pk
    assert lot_sheet(spring.apart).place_id == spring.works.places["quarantine"].pk
    before = lot_sheet(spring.apart, AsOf(dt.datetime(2026, 3, 1, tzinfo=dt.UTC)))
    assert (before.place_id, before.lines, before.holding.is_empty) == (None, (), True)


def test_balances_of_a_page_of_lots(
    spring: SimpleNamespace, django_assert_num_queries: Any
) -> None:
    with django_assert_num_queries(3):
        balances = lot_balances(list(lot_list()))
    by_code = {each.lot.code: each for each in balances}
    assert len(by_code) == Lot.objects.count()
    crystal = by_code[spring.crystal.code]
    assert [(each.metal, each.now_ug) for each in crystal.metals] == [("Ag", 1_994_999_999)]
    assert crystal.mass_ug == 1_994_999_999
    assert by_code[spring.pooled.code].metals[0].now_ug == 0


def test_sheet_asks_a_fixed_number_of_queries(
    spring: SimpleNamespace, at: Any, django_assert_num_queries: Any
) -> None:
    def ask() -> None:
        with django_assert_num_queries(5):
            lot_sheet(spring.crystal)

    ask()
    split_lot(
        lot=spring.crystal, parts=[Part(mass_ug=500 * G), Part(mass_ug=300 * G)], act=at(5, 4)
    )
    ask()
