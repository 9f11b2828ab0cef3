"""The only writer of the ledger: a movement whole, chained and balanced, or nothing at all."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest

from lots import clock
from lots.ledger.digests import FIRST_DIGEST
from lots.ledger.drafts import ClaimLine, Draft, Line, MaterialLine, StandingLine
from lots.ledger.holdings import AsOf, claims_of, holding
from lots.ledger.movement_rows import Written, digest_of
from lots.ledger.posting import house, post
from lots.ledger.recording import Act, recorded_once
from lots.ledger.standings import standings_of
from lots.models import (
    BooksMonth,
    ClaimEntry,
    Entry,
    LedgerHead,
    Lot,
    LotStanding,
    MaterialEntry,
    Movement,
    Party,
)
from tests.builders import GRAM, receive
from tests.conftest import MORNING
from tests.refused import refused

Make = Callable[..., Act]
FINE = {"Ag": Decimal(1000)}


@recorded_once
def post_draft(*, draft: Draft, act: Act) -> Movement:
    """A bare movement, as a service would post it."""
    return post(draft, act)


def to_loss(lot: Lot, silver_ug: int, **changed: Any) -> Draft:
    return Draft(
        **{
            "kind": Movement.Kind.WRITE_OFF,
            "stage": Movement.Stage.STORE,
            "lines": [Line("Ag", -silver_ug, lot=lot), Line("Ag", silver_ug, account="loss")],
        }
        | changed
    )


def close_month_of(moment: dt.datetime) -> BooksMonth:
    starts_at = moment.replace(day=1, hour=0)
    return BooksMonth.objects.create(
        first_day=starts_at.date(),
        starts_at=starts_at,
        ends_at=starts_at.replace(month=starts_at.month + 1),
        state="closed",
    )


def test_a_movement_is_written_whole(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    draft = to_loss(
        lot,
        5 * GRAM,
        cause="spilt",
        materials=[MaterialLine(lot, mass_ug=-6 * GRAM)],
        standings=[StandingLine(lot, works.places["quarantine"], works.house)],
        counterparty=works.pellow,
    )
    movement = post_draft(draft=draft, act=act(1, note="under the bench"))
    assert (movement.sequence, movement.cause, movement.note) == (2, "spilt", "under the bench")
    assert movement.occurred_at == MORNING + dt.timedelta(hours=1)
    assert movement.recorded_at == clock.now()
    assert movement.counterparty == works.pellow
    entries = movement.entries.order_by("id").values_list("lot", "account__code", "mass_ug")
    assert list(entries) == [(lot.pk, None, -5 * GRAM), (None, "loss", 5 * GRAM)]
    assert movement.material_entries.get().mass_ug == -6 * GRAM
    assert movement.standings.get().place == works.places["quarantine"]
    assert movement.claim_entries.get().mass_ug == -5 * GRAM
    for rows in (Entry, ClaimEntry, MaterialEntry, LotStanding):
        of_movement = rows.objects.filter(movement=movement)
        assert set(of_movement.values_list("occurred_at", "recorded_at")) == {
            (movement.occurred_at, movement.recorded_at)
        }
    lot.refresh_from_db()
    assert (lot.place, lot.state) == (works.places["quarantine"], Lot.State.AVAILABLE)


def test_the_head_follows_and_digests_chain(works: SimpleNamespace, act: Make) -> None:
    head = LedgerHead.objects.get()
    assert (head.last_sequence, head.last_digest) == (0, FIRST_DIGEST)
    lot = receive(works, act())
    first = Movement.objects.get()
    second = post_draft(draft=to_loss(lot, 1), act=act(1))
    head.refresh_from_db()
    assert (head.last_sequence, head.last_digest) == (2, second.digest)
    assert head.last_recorded_at == second.recorded_at
    written = Written(
        list(second.entries.order_by("id")),
        list(second.claim_entries.order_by("id")),
        list(second.material_entries.order_by("id")),
        list(second.standings.order_by("id")),
    )
    second.refresh_from_db()
    assert digest_of(first.digest, second, written) == second.digest
    assert digest_of(FIRST_DIGEST, second, written) != second.digest


def test_lines_of_nothing_are_left_out(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    draft = to_loss(
        lot,
        1,
        lines=[Line("Ag", 0, lot=lot), Line("Cu", -1, lot=lot), Line("Cu", 1, account="loss")],
        materials=[MaterialLine(lot)],
        claims=[ClaimLine(works.house, "Cu", 7)],
    )
    movement = post_draft(draft=draft, act=act(1))
    assert movement.entries.count() == 2
    assert not movement.material_entries.exists()
    # The house's own line is whatever the pool gained, not what a service says of it.
    assert movement.claim_entries.get().mass_ug == -1


def test_what_customers_do_not_claim_of_the_pool_is_the_houses(
    works: SimpleNamespace, act: Make
) -> None:
    own = receive(works, act(), 10, FINE)
    theirs = receive(works, act(), 10, FINE, owner=works.brackwater)
    draft = Draft(
        kind=Movement.Kind.BLEND,
        stage=Movement.Stage.STORE,
        lines=[
            Line("Ag", -4 * GRAM, lot=theirs, owner=works.brackwater),
            Line("Ag", 4 * GRAM, lot=own, owner=works.house),
        ],
        claims=[ClaimLine(works.brackwater, "Ag", 3 * GRAM)],
    )
    post_draft(draft=draft, act=act(1))
    assert claims_of(works.brackwater) == {"Ag": 3 * GRAM}
    assert claims_of(works.house) == {"Ag": 11 * GRAM}
    assert holding(own).metals == {"Ag": 14 * GRAM}


def test_an_unbalanced_movement_is_our_own_mistake(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    with pytest.raises(AssertionError, match="does not balance"):
        post_draft(draft=to_loss(lot, 1, lines=[Line("Ag", -1, lot=lot)]), act=act(1))
    with pytest.raises(AssertionError, match="of a lot or of an account"):
        post_draft(
            draft=to_loss(lot, 1, lines=[Line("Ag", 1, lot=lot, account="loss")]), act=act(1)
        )
    assert Movement.objects.count() == 1


def test_a_moment_in_the_future_is_refused(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    late = clock.now() + dt.timedelta(minutes=2)
    post_draft(draft=to_loss(lot, 1), act=Act(works.operator, late))
    with refused("in_the_future", "occurred_at") as caught:
        post_draft(
            draft=to_loss(lot, 1), act=Act(works.operator, late + dt.timedelta(microseconds=1))
        )
    assert caught.value.status == 400


def test_a_moment_in_a_closed_month_is_refused(works: SimpleNamespace, act: Make) -> None:
    april = MORNING.replace(month=4)
    lot = receive(works, Act(works.operator, april))
    month = close_month_of(april)
    last = month.ends_at - dt.timedelta(microseconds=1)
    before = month.starts_at - dt.timedelta(days=40)
    for inside in (month.starts_at, april, last, before):
        with refused("month_closed", "occurred_at") as caught:
            post_draft(draft=to_loss(lot, 1), act=Act(works.operator, inside, key="k"))
        assert caught.value.status == 409
        assert "2026-04" in caught.value.message
    post_draft(draft=to_loss(lot, 1), act=Act(works.operator, month.ends_at))


def test_the_month_named_is_the_one_that_the_moment_lies_in(
    works: SimpleNamespace, act: Make
) -> None:
    march, april = (MORNING.replace(month=number) for number in (3, 4))
    lot = receive(works, act())
    for moment in (march, april):
        close_month_of(moment)
    for moment, month in ((march, "2026-03"), (april, "2026-04")):
        with refused("month_closed", "occurred_at") as caught:
            post_draft(draft=to_loss(lot, 1), act=Act(works.operator, moment))
        assert month in caught.value.message


def test_an_open_month_takes_movements(works: SimpleNamespace, act: Make) -> None:
    month = close_month_of(MORNING)
    BooksMonth.objects.filter(pk=month.pk).update(state="open")
    assert receive(works, act()).pk


def test_a_lot_not_there_yet_is_refused(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(2))
    with refused("lot_not_there_yet", "occurred_at"):
        post_draft(draft=to_loss(lot, 1), act=act(1))


def test_without_a_house_nothing_is_posted(works: SimpleNamespace, act: Make) -> None:
    assert house() == works.house
    Party.objects.filter(pk=works.house.pk).update(kind="supplier")
    with refused("no_house", None):
        receive(works, act(), owner=works.brackwater)


def test_the_house_is_told_by_its_kind_and_not_by_its_age(
    works: SimpleNamespace, act: Make
) -> None:
    Party.objects.filter(pk=works.house.pk).update(kind="customer")
    Party.objects.filter(pk=works.pellow.pk).update(kind="house")
    works.pellow.refresh_from_db()
    receive(works, act(), 10, FINE, owner=works.pellow)
    assert claims_of(works.pellow) == {"Ag": 10 * GRAM}


def test_recorded_at_never_runs_backwards(works: SimpleNamespace, act: Make) -> None:
    receive(works, act())
    first = Movement.objects.get()
    with clock.at(clock.now() - dt.timedelta(hours=3)):
        receive(works, act())
    second = Movement.objects.get(sequence=2)
    assert second.recorded_at == first.recorded_at


def test_a_back_dated_standing_does_not_move_the_lot_now(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act())
    for hours, place in ((4, "melt-bench"), (2, "quarantine")):
        draft = Draft(
            kind=Movement.Kind.TRANSFER,
            stage=Movement.Stage.STORE,
            standings=[StandingLine(lot, works.places[place], works.house)],
        )
        post_draft(draft=draft, act=act(hours))
    lot.refresh_from_db()
    assert lot.place == works.places["melt-bench"]
    at_noon = standings_of([lot], AsOf(MORNING + dt.timedelta(hours=3)))[lot.pk]
    assert at_noon.place_id == works.places["quarantine"].pk


def test_a_lot_without_metal_is_spent_when_its_material_goes_elsewhere(
    works: SimpleNamespace, act: Make
) -> None:
    giver, taker = receive(works, act(), 10, {}), receive(works, act(), 10, {})
    moved = [MaterialLine(giver, mass_ug=-10 * GRAM), MaterialLine(taker, mass_ug=10 * GRAM)]
    draft = Draft(kind=Movement.Kind.BLEND, stage=Movement.Stage.STORE, materials=moved)
    post_draft(draft=draft, act=act(1))
    states = Lot.objects.order_by("pk").values_list("state", flat=True)
    assert list(states) == [Lot.State.SPENT, Lot.State.AVAILABLE]


def test_a_lot_without_mass_is_spent_when_its_metal_goes_elsewhere(
    works: SimpleNamespace, act: Make
) -> None:
    giver, taker = receive(works, act(), 10, FINE), receive(works, act(), 10, FINE)
    poured = [MaterialLine(giver, mass_ug=-10 * GRAM), MaterialLine(taker, mass_ug=10 * GRAM)]
    metal = [Line("Ag", -10 * GRAM, lot=giver), Line("Ag", 10 * GRAM, lot=taker)]
    for hours, lines in ((1, {"materials": poured}), (2, {"lines": metal})):
        draft = Draft(kind=Movement.Kind.BLEND, stage=Movement.Stage.STORE, **lines)
        post_draft(draft=draft, act=act(hours))
    states = Lot.objects.order_by("pk").values_list("state", flat=True)
    assert list(states) == [Lot.State.SPENT, Lot.State.AVAILABLE]


def test_a_lot_is_spent_when_the_last_of_it_goes(works: SimpleNamespace, act: Make) -> None:
    lot = receive(works, act(), 10, FINE)
    post_draft(draft=to_loss(lot, 10 * GRAM), act=act(1))
    lot.refresh_from_db()
    assert lot.state == Lot.State.AVAILABLE, "its own mass is still there"
    post_draft(draft=to_loss(lot, 0, materials=[MaterialLine(lot, mass_ug=-10 * GRAM)]), act=act(2))
    lot.refresh_from_db()
    assert lot.state == Lot.State.SPENT
    assert lot.version > 1
