"""A reversal is the exact opposite: everything is as it was, and nothing is edited."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from lots import clock
from lots.ledger.drafts import ClaimLine, Draft, Line, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, balances, claims_of, holding
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.ledger.standings import standings_of
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.models import (
    ClaimEntry,
    Entry,
    Lot,
    LotStanding,
    MaterialEntry,
    Movement,
    Party,
    Weighing,
)
from tests.builders import GRAM, receive
from tests.conftest import MORNING
from tests.lots.ledger.test_posting import close_month_of, post_draft, to_loss
from tests.refused import refused

Make = Callable[..., Act]
RESTS_ON = ("standard_uncertainty_ug", "quantity_by", "content_by")
LINES = (Entry, ClaimEntry, MaterialEntry, LotStanding)


def books() -> dict[str, Any]:
    return {
        "balances": list(balances().order_by("lot_id", "metal")),
        "lots": list(Lot.objects.order_by("pk").values("pk", "owner", "place", "state")),
        "claims": {party.code: claims_of(party) for party in Party.objects.all()},
        "material": {lot.pk: holding(lot) for lot in Lot.objects.all()},
    }


@pytest.fixture
def sold(works: SimpleNamespace, act: Make) -> Movement:
    """A movement with every kind of line: a customer's lot is bought, moved and half joined."""
    theirs = receive(works, act(), 50, owner=works.brackwater)
    own = receive(works, act(), 20)
    report = AssayReport("fire_assay", works.laboratory, {"Ag": Finding(Decimal(925), Decimal(1))})
    assay = record_assay(lot=theirs, report=report, act=act(1))
    weighing = Weighing.objects.get(lot=theirs)
    rests_on = {"standard_uncertainty_ug": 50_000, "quantity_by": weighing, "content_by": assay}
    draft = Draft(
        kind=Movement.Kind.CHANGE_OF_OWNER,
        stage=Movement.Stage.STORE,
        lines=[
            Line("Ag", -46_250_000, lot=theirs, owner=works.brackwater),
            Line("Cu", -3_750_000, lot=theirs, owner=works.brackwater),
            Line("Ag", 46_250_000, lot=theirs, owner=works.house, **rests_on),
            Line("Cu", 3_749_999, lot=theirs, owner=works.house),
            Line("Cu", 1, lot=own, owner=works.house),
        ],
        claims=[ClaimLine(works.brackwater, "Ag", 46_250_000)],
        materials=[
            MaterialLine(theirs, mass_ug=-1 * GRAM, quantity_by=weighing),
            MaterialLine(own, mass_ug=1 * GRAM),
        ],
        standings=[StandingLine(theirs, works.places["melt-bench"], works.house)],
        cause="bought",
        counterparty=works.brackwater,
    )
    return post_draft(draft=draft, act=act(2))


def test_a_reversal_restores_holdings_claims_owner_place_and_state(
    works: SimpleNamespace, act: Make
) -> None:
    theirs = receive(works, act(), 50, owner=works.brackwater)
    before = books()
    draft = Draft(
        kind=Movement.Kind.CHANGE_OF_OWNER,
        stage=Movement.Stage.STORE,
        lines=[
            Line("Ag", -46_250_000, lot=theirs, owner=works.brackwater),
            Line("Ag", 46_250_000, account="shipped"),
            Line("Cu", -3_750_000, lot=theirs, owner=works.brackwater),
            Line("Cu", 3_750_000, account="shipped"),
        ],
        materials=[MaterialLine(theirs, mass_ug=-50 * GRAM)],
        standings=[StandingLine(theirs, works.places["quarantine"], works.house)],
    )
    movement = post_draft(draft=draft, act=act(2))
    assert Lot.objects.get(pk=theirs.pk).state == Lot.State.SPENT
    reverse_movement(movement=movement, reason="wrong lot", act=act(key="k"))
    assert books() == before


def test_every_line_is_mirrored_and_the_original_stands(
    works: SimpleNamespace, act: Make, sold: Movement
) -> None:
    original = {model: list(model.objects.filter(movement=sold).values()) for model in LINES}
    reversal = reverse_movement(movement=sold, reason="not agreed", act=act())
    assert {
        model: list(model.objects.filter(movement=sold).values()) for model in LINES
    } == original
    assert (reversal.kind, reversal.reverses, reversal.note) == ("reversal", sold, "not agreed")
    assert (reversal.stage, reversal.cause) == (sold.stage, "bought")
    assert reversal.counterparty == works.brackwater
    assert reversal.occurred_at == sold.occurred_at
    for model, columns in (
        (Entry, ("lot", "account", "owner", "metal", "mass_ug", "basis", *RESTS_ON)),
        (ClaimEntry, ("owner", "metal", "mass_ug")),
        (MaterialEntry, ("lot", "mass_ug", "volume_ul", "quantity_by")),
    ):

        def lines(movement: Movement, sign: int) -> list[list[object]]:
            return sorted(
                (
                    [
                        value * sign if name in {"mass_ug", "volume_ul"} else value
                        for name, value in zip(columns, row, strict=True)  # noqa: B023
                    ]
                    for row in model.objects.filter(movement=movement).values_list(*columns)  # noqa: B023
                ),
                key=str,
            )

        assert lines(reversal, -1) == lines(sold, 1)
        assert lines(sold, 1)


def test_as_of_by_record_the_movement_still_shows_before_its_reversal(
    works: SimpleNamespace, act: Make, sold: Movement
) -> None:
    lot = sold.standings.get().lot
    with clock.at(clock.now() + dt.timedelta(hours=1)):
        reverse_movement(movement=sold, reason="not agreed", act=act())
    as_written_then = AsOf(recorded=sold.recorded_at)
    assert standings_of([lot], as_written_then)[lot.pk].owner_id == works.house.pk
    assert standings_of([lot], AsOf())[lot.pk].owner_id == works.brackwater.pk


@pytest.mark.parametrize("month_number", [4, 2], ids=["in the closed month", "before it"])
def test_a_movement_of_a_closed_month_is_reversed_in_the_open_one(
    works: SimpleNamespace, act: Make, month_number: int
) -> None:
    then = MORNING.replace(month=month_number)
    lot = receive(works, Act(works.operator, then), 10)
    movement = post_draft(draft=to_loss(lot, GRAM), act=Act(works.operator, then))
    month = close_month_of(MORNING.replace(month=4))
    reversal = reverse_movement(movement=movement, reason="found again", act=act())
    assert reversal.occurred_at == clock.now()
    assert reversal.reverses == movement
    assert holding(lot).metals["Ag"] == 9_250_000
    at_close = holding(lot, AsOf(month.ends_at - dt.timedelta(microseconds=1)))
    assert at_close.metals["Ag"] == 8_250_000


def test_a_movement_of_the_first_moment_of_an_open_month_is_reversed_there(
    works: SimpleNamespace, act: Make
) -> None:
    month = close_month_of(MORNING.replace(month=4))
    receive(works, Act(works.operator, month.ends_at))
    reversal = reverse_movement(movement=Movement.objects.get(), reason="entered twice", act=act())
    assert reversal.occurred_at == month.ends_at


def test_a_standing_is_restored_to_what_it_was_at_that_moment(
    works: SimpleNamespace, act: Make
) -> None:
    """A back-dated transfer is undone without moving the lot to where it went later."""
    lot = receive(works, act())

    def transfer(hours: float, place: str) -> Movement:
        standing = StandingLine(lot, works.places[place], works.house)
        draft = Draft(kind=Movement.Kind.TRANSFER, stage=Movement.Stage.STORE, standings=[standing])
        return post_draft(draft=draft, act=act(hours))

    transfer(6, "melt-bench")
    mistaken = transfer(3, "quarantine")
    reverse_movement(movement=mistaken, reason="it never went there", act=act())

    def place_at(hours: float) -> int:
        return standings_of([lot], AsOf(MORNING + dt.timedelta(hours=hours)))[lot.pk].place_id

    assert place_at(4) == works.places["feed-shelf"].pk
    assert place_at(7) == works.places["melt-bench"].pk
    lot.refresh_from_db()
    assert lot.place == works.places["melt-bench"]


def test_a_reversed_receipt_leaves_the_label_and_nothing_in_it(
    works: SimpleNamespace, act: Make
) -> None:
    lot = receive(works, act())
    reverse_movement(movement=Movement.objects.get(), reason="never came", act=act())
    lot.refresh_from_db()
    assert holding(lot).is_empty
    assert lot.state == Lot.State.SPENT
    assert (lot.owner, lot.place) == (works.house, works.places["feed-shelf"])


def test_a_movement_is_reversed_once(works: SimpleNamespace, act: Make, sold: Movement) -> None:
    reversal = reverse_movement(movement=sold, reason="not agreed", act=act(key="k"))
    with refused("already_reversed", "movement"):
        reverse_movement(movement=sold, reason="not agreed", act=act(key="other"))
    with refused("is_a_reversal", "movement"):
        reverse_movement(movement=reversal, reason="after all", act=act())
    again = reverse_movement(movement=sold, reason="not agreed", act=act(key="k"))
    assert again == reversal


def test_what_moved_on_is_not_reversed_under_it(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10)
    receipt = Movement.objects.get()
    post_draft(draft=to_loss(lot, GRAM), act=act(4))
    with refused("lot_overdrawn", "Ag") as caught:
        reverse_movement(movement=receipt, reason="entered twice", act=act(key="k"))
    assert (lot.code in caught.value.message, "2026-05-04 13:00" in caught.value.message) == (
        True,
        True,
    )


def test_a_lot_that_moved_since_is_not_moved_back(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    movements = []
    for hours, place in ((1, "melt-bench"), (2, "quarantine")):
        standing = StandingLine(lot, works.places[place], works.house)
        draft = Draft(kind=Movement.Kind.TRANSFER, stage=Movement.Stage.STORE, standings=[standing])
        movements.append(post_draft(draft=draft, act=act(hours)))
    with refused("lot_moved_since", "movement"):
        reverse_movement(movement=movements[0], reason="wrong bench", act=act())
    reverse_movement(movement=movements[1], reason="wrong shelf", act=act())
    lot.refresh_from_db()
    assert lot.place == works.places["melt-bench"]
    reverse_movement(movement=movements[0], reason="wrong bench", act=act())
    lot.refresh_from_db()
    assert lot.place == works.places["feed-shelf"]
    # Where it was said to stand until then was said, and stays.
    between = standings_of([lot], AsOf(MORNING + dt.timedelta(hours=1.5)))[lot.pk]
    assert between.place_id == works.places["melt-bench"].pk
