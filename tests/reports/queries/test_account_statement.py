"""A customer's account for a period: metal in, joined with the pool, settled, given back."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from lots.measurements.weighings import Weight
from lots.models import Lot, ProcessBatch
from lots.services.opening import Amount, Opening, open_lot
from lots.services.process_batches import Inputs, start_batch
from lots.services.receipt import Receipt, receive_lot
from lots.services.shipping import return_to_customer
from lots.services.taking import Take
from reports.queries.account_statement import account_statement


@pytest.fixture
def bar(works, act) -> Lot:
    """Isolde's 300 g of silver joins the pool with Pellow's 100 g; a 120 g bar is given back."""
    lots = []
    for hour, (customer, grams) in enumerate(((works.brackwater, 300), (works.pellow, 100))):
        receipt = Receipt(
            party=customer,
            owner=customer,
            form=Lot.Form.FEED,
            place=works.places["feed-shelf"],
            weight=Weight(grams * 1_000_000, 0, works.balance),
            declared={"Ag": Decimal(1000)},
        )
        lots.append(receive_lot(receipt=receipt, act=act(hour)))
    start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot) for lot in lots]),
        act=act(2),
    )
    opening = Opening(
        form=Lot.Form.BAR,
        owner=works.house,
        place=works.places["fine-safe"],
        metals={"Ag": Amount(120_000_000)},
        mass_ug=120_000_000,
    )
    bar = open_lot(opening=opening, act=act(0))
    return_to_customer(lot=bar, customer=works.brackwater, act=act(3))
    return bar


def test_metal_in_out_and_left(bar, works, act):
    account = account_statement(works.brackwater, act(-1).moment, act(9).moment)
    silver = account.metals[0]
    assert (silver.opening_ug, silver.in_ug, silver.out_ug, silver.closing_ug) == (
        0,
        300_000_000,
        -120_000_000,
        180_000_000,
    )
    assert (silver.kept_apart_ug, silver.claim_ug) == (0, 180_000_000)
    assert [line.kind for line in silver.lines] == ["Receipt", "Return to customer"]
    assert silver.lines[1].lots == (bar.code,)


def test_a_period_begins_where_the_one_before_ended(bar, works, act):
    first = account_statement(works.brackwater, act(-1).moment, act(2.5).moment)
    second = account_statement(works.brackwater, act(2.5).moment, act(9).moment)
    assert first.metals[0].closing_ug == second.metals[0].opening_ug == 300_000_000


def test_nobody_elses_lots_are_named(bar, works, act):
    account = account_statement(works.brackwater, act(-1).moment, act(9).moment)
    others = set(Lot.objects.filter(owner=works.pellow).values_list("code", flat=True))
    named = {code for metal in account.metals for line in metal.lines for code in line.lots}
    assert named
    assert not named & others


def test_an_empty_period_is_an_empty_account(works):
    start = dt.datetime(2026, 1, 1, tzinfo=dt.UTC)
    account = account_statement(works.pellow, start, start + dt.timedelta(days=31))
    assert (account.metals, account.money) == ((), ())
