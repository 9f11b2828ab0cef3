"""Whatever happens in a spring, every month's statement ties to the ledger to the microgram."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.refusals import RefusalError
from lots import clock
from lots.ledger.holdings import AsOf
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.measurements.weighings import Weight
from lots.models import Lot, Movement
from lots.services.blending import Blend, blend_lots
from lots.services.receipt import Receipt, receive_lot
from lots.services.shipping import ship_lot
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from reports.queries.inventory import inventory
from reports.queries.lot.lot_sheet import every_lot_balance
from reports.queries.month.losses import losses
from reports.queries.month.month_statement import month_statement
from reports.queries.month.periods import month_period

START = dt.datetime(2026, 2, 1, tzinfo=dt.UTC)
END = dt.datetime(2026, 5, 4, 18, tzinfo=dt.UTC)
OWNERS = ("house", "brackwater", "pellow")
PLACES = ("feed-shelf", "fine-safe", "quarantine", "north-cell")

moments = st.integers(0, int((END - START).total_seconds()) - 1)
events = st.lists(
    st.tuples(
        st.sampled_from(
            ("receive", "receive", "write_off", "transfer", "blend", "ship", "reverse")
        ),
        moments,
        st.integers(0, 10_000),
        st.integers(1, 3_000_000_000),
    ),
    min_size=4,
    max_size=14,
)


def happen(works: SimpleNamespace, event: tuple[str, int, int, int]) -> None:
    """One event; what the ledger refuses leaves nothing behind."""
    name, second, pick, amount = event
    act = Act(works.operator, START + dt.timedelta(seconds=second))
    lots = list(Lot.objects.order_by("id"))
    lot = lots[pick % len(lots)] if lots else None
    place = works.places[PLACES[pick % len(PLACES)]]
    owner = getattr(works, OWNERS[pick % len(OWNERS)])
    if name == "receive":
        fineness: dict[str, Any] = {"Ag": 925 - pick % 90, "Cu": 75, "Au": pick % 7}
        weight = Weight(amount, 0, works.balance)
        receive_lot(receipt=Receipt(owner, owner, "granules", place, weight, fineness), act=act)
    elif name == "reverse":
        movements = list(Movement.objects.order_by("sequence"))
        if movements:
            which = movements[pick % len(movements)]
            reverse_movement(movement=which, reason="drawn by lot", act=act)
    elif lot is None:
        return
    elif name == "write_off":
        write_off(lot=lot, cause="spill", stage="store", act=act, mass_ug=amount)
    elif name == "transfer":
        transfer_lot(lot=lot, place=place, act=act)
    elif name == "ship":
        ship_lot(lot=lot, to=works.pellow, act=act)
    elif name == "blend":
        two = {each.pk: each for each in (lot, lots[amount % len(lots)])}
        takes = [Take(each) for each in two.values()]
        blend_lots(takes=takes, blend=Blend(form="granules", place=place), act=act)


def check_all(works: SimpleNamespace) -> None:
    closing: dict[str, int] = {}
    for month in (2, 3, 4, 5):
        period = month_period(dt.date(2026, month, 1))
        statement = month_statement(period)
        held = inventory(period.closing())
        assert all(position.adrift_ug == 0 for position in held.positions)
        lost = losses(period.starts_at, period.ends_at)
        by_metal = {position.metal: position.holdings_ug for position in held.positions}
        for metal in statement.metals:
            assert metal.opening_ug == closing.get(metal.metal, 0)
            changes = sum(line.change_ug for line in metal.lines)
            assert metal.opening_ug + changes == metal.closing_ug
            assert metal.closing_ug == by_metal.get(metal.metal, 0)
            areas = [area for area in statement.areas if area.metal == metal.metal]
            assert sum(area.closing_ug for area in areas) == metal.closing_ug
            assert -metal.change_ug("loss", "difference") == sum(
                row.mass_ug for row in lost.rows if row.metal == metal.metal
            )
        closing = {metal.metal: metal.closing_ug for metal in statement.metals}
    now: dict[str, int] = {}
    for each in every_lot_balance(AsOf()):
        for of in each.metals:
            now[of.metal] = now.get(of.metal, 0) + of.now_ug
    assert {metal: total for metal, total in now.items() if total} == {
        metal: total for metal, total in closing.items() if total
    }


@pytest.mark.django_db
@settings(
    max_examples=15,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(events)
def test_statements_inventory_losses_and_lots_agree_after_any_history(
    works: SimpleNamespace, history: list[tuple[str, int, int, int]]
) -> None:
    with clock.at(END), transaction.atomic():
        for event in history:
            try:
                with transaction.atomic():
                    happen(works, event)
            except RefusalError:
                continue
        check_all(works)
        transaction.set_rollback(True)
