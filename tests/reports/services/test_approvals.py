"""Differences of a count are proposed by one person and posted by another."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest

from lots.ledger.drafts import Draft, MaterialLine
from lots.ledger.holdings import holding
from lots.ledger.posting import post
from lots.ledger.reversal import reverse_movement
from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight
from lots.models import Entry, MaterialEntry, Movement
from lots.services.opening import Amount, Opening, open_lot
from lots.services.write_off import write_off
from reports.models import CountAdjustment, CountSheet
from reports.queries.count_sheets import stale_lines
from reports.queries.inventory import inventory
from reports.queries.month.month_statement import MetalStatement, month_statement
from reports.queries.month.periods import Period
from reports.services.approvals import (
    approve_adjustments,
    decline_adjustment,
    propose_adjustments,
)
from reports.services.counts import Found, enter_count, open_count_sheet, recount_lot
from reports.services.month_end import begin_month_end, prepare_month
from tests.reports.conftest import APRIL, G

Make = Callable[..., Any]


@pytest.fixture
def counted(in_june: SimpleNamespace, at: Make) -> CountSheet:
    """The fine safe at the end of April: crystal two grams short, the bar as the books have it."""
    works = in_june.works
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    sheet = open_count_sheet(month_end=month_end, place=works.places["fine-safe"], act=at(6, 1))
    short = Found(weight=Weight(1_992_999_999, 0, works.balance))
    enter_count(sheet=sheet, lot=in_june.crystal, found=short, act=at(6, 1))
    same = Found(weight=Weight(797_300_000, 0, works.balance))
    enter_count(sheet=sheet, lot=in_june.bar, found=same, act=at(6, 1))
    return sheet


@pytest.fixture
def proposed(counted: CountSheet, in_june: SimpleNamespace, at: Make) -> CountSheet:
    return propose_adjustments(
        sheet=counted, causes={in_june.crystal.code: "spillage"}, act=at(6, 1)
    )


def silver(period: Period) -> MetalStatement:
    return month_statement(period).metals[0]


def test_statement_shows_the_count_before_anything_is_posted(
    counted: CountSheet, april: Period
) -> None:
    before = silver(april)
    assert before.is_counted
    assert (before.difference_ug, before.adjusted_ug, before.unadjusted_ug) == (2 * G, 0, 2 * G)
    assert before.physical_ug == before.closing_ug - 2 * G
    areas = {each.area: each.is_counted for each in month_statement(april).areas}
    assert areas == {"feed_store": False, "fine_store": True}
    # Two grams of 1964.2 g received in April.
    assert str(before.difference_percent) == "0.1018"


def test_approved_adjustment_brings_the_book_to_the_count_in_the_month_counted(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, april: Period
) -> None:
    before = silver(april)
    approve_adjustments(sheet=proposed, act=at(6, 1, who=in_june.works.manager))
    adjustment = CountAdjustment.objects.get()
    movement = adjustment.movement
    assert movement is not None
    assert (movement.kind, movement.cause) == ("count_adjustment", "spillage")
    assert movement.occurred_at == proposed.as_of
    assert holding(in_june.crystal).metals == {"Ag": 1_992_999_999}
    assert holding(in_june.crystal).mass_ug == 1_992_999_999
    (to_account,) = Entry.objects.filter(movement=movement, account__code="count-difference")
    assert to_account.mass_ug == 2 * G
    (own,) = MaterialEntry.objects.filter(movement=movement)
    assert own.mass_ug == -2 * G
    (of_lot,) = Entry.objects.filter(movement=movement, lot=in_june.crystal)
    assert of_lot.quantity_by == own.quantity_by == adjustment.line.measurement
    # As sure as the weighing that it rests on.
    assert of_lot.standard_uncertainty_ug == 100_000
    after = silver(april)
    assert after.closing_ug == before.closing_ug - 2 * G
    assert (after.difference_ug, after.unadjusted_ug) == (2 * G, 0)
    assert after.physical_ug == before.physical_ug == after.closing_ug
    assert after.book_before_count_ug == before.closing_ug
    held = inventory(april.closing())
    assert all(position.adrift_ug == 0 for position in held.positions)
    assert stale_lines(proposed.month_end.books_month) == []


def test_approving_a_sheet_leaves_what_is_proposed_on_another(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    shelf = in_june.works.places["feed-shelf"]
    other = open_count_sheet(month_end=proposed.month_end, place=shelf, act=at(6, 1))
    enter_count(sheet=other, lot=in_june.apart, found=Found(missing=True), act=at(6, 1))
    propose_adjustments(sheet=other, causes={in_june.apart.code: "unexplained"}, act=at(6, 1))
    approve_adjustments(sheet=proposed, act=at(6, 1, who=in_june.works.manager))
    states = CountAdjustment.objects.order_by("pk").values_list("line__sheet", "state")
    assert list(states) == [(proposed.pk, "posted"), (other.pk, "proposed")]
    # What waits in April keeps no other month from being prepared.
    march = begin_month_end(first_day=APRIL.replace(month=3), act=at(6, 1))
    assert prepare_month(month_end=march, act=at(6, 1)).state == "prepared"


def test_surplus_comes_from_the_difference_account(
    counted: CountSheet, in_june: SimpleNamespace, at: Make
) -> None:
    more = Found(weight=Weight(1_995_999_999, 0, in_june.works.balance))
    recount_lot(sheet=counted, lot=in_june.crystal, found=more, act=at(6, 1))
    causes = {in_june.crystal.code: "weighing_error"}
    propose_adjustments(sheet=counted, causes=causes, act=at(6, 1))
    approve_adjustments(sheet=counted, act=at(6, 1, who=in_june.works.manager))
    assert holding(in_june.crystal).metals == {"Ag": 1_995_999_999}
    (gain,) = Entry.objects.filter(account__code="count-difference")
    assert gain.mass_ug == -G


def test_approval_refused_to_the_person_who_proposed(
    proposed: CountSheet, at: Make, refused: Make
) -> None:
    with refused("same_person", "who"):
        approve_adjustments(sheet=proposed, act=at(6, 1))
    with refused("same_person", "who"):
        decline_adjustment(adjustment=CountAdjustment.objects.get(), act=at(6, 1, note="no"))


def test_approval_refused_when_the_book_changed_since_the_count(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    write_off(lot=in_june.crystal, cause="spill", stage="store", act=at(4, 25), mass_ug=G)
    with refused("book_moved_since", "sheet"):
        approve_adjustments(sheet=proposed, act=at(6, 1, who=in_june.works.manager))
    decline_adjustment(
        adjustment=CountAdjustment.objects.get(),
        act=at(6, 1, who=in_june.works.manager, note="count again"),
    )
    with refused("book_moved_since", "month"):
        prepare_month(month_end=proposed.month_end, act=at(6, 1))


def test_approval_refused_when_only_the_mass_changed_since_the_count(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    wetter = Draft(
        kind=Movement.Kind.WEIGHING_DIFFERENCE,
        stage=Movement.Stage.STORE,
        materials=[MaterialLine(in_june.crystal, mass_ug=G)],
    )
    post(wetter, at(4, 25))
    with refused("book_moved_since", "sheet"):
        approve_adjustments(sheet=proposed, act=at(6, 1, who=in_june.works.manager))


def test_approval_refused_when_the_metal_has_moved_on(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    write_off(lot=in_june.crystal, cause="spill", stage="store", act=at(5, 20))
    with refused("lot_overdrawn", "Ag"):
        approve_adjustments(sheet=proposed, act=at(6, 1, who=in_june.works.manager))


def test_declined_proposal_posts_nothing_and_can_be_made_again(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    adjustment = CountAdjustment.objects.get()
    boss = in_june.works.manager
    with refused("empty", "note"):
        decline_adjustment(adjustment=adjustment, act=at(6, 1, who=boss))
    decline_adjustment(adjustment=adjustment, act=at(6, 1, who=boss, note="look again"))
    assert (adjustment.state, adjustment.note) == ("declined", "look again")
    assert not Movement.objects.filter(kind="count_adjustment").exists()
    with refused("already_decided", "adjustment"):
        decline_adjustment(adjustment=adjustment, act=at(6, 1, who=boss, note="again"))
    with refused("nothing_proposed", "sheet"):
        approve_adjustments(sheet=proposed, act=at(6, 1, who=boss))
    causes = {in_june.crystal.code: "unexplained"}
    propose_adjustments(sheet=proposed, causes=causes, act=at(6, 1))


@pytest.mark.parametrize(
    ("which", "cause", "code"),
    [
        ("crystal", "gremlins", "unknown_choice"),
        ("bar", "unexplained", "no_difference"),
        ("apart", "unexplained", "lot_not_on_sheet"),
    ],
)
def test_proposal_refused(
    counted: CountSheet,
    in_june: SimpleNamespace,
    at: Make,
    refused: Make,
    which: str,
    cause: str,
    code: str,
) -> None:
    lot = getattr(in_june, which).code
    with refused(code, "lot" if code == "lot_not_on_sheet" else f"causes.{lot}"):
        propose_adjustments(sheet=counted, causes={lot: cause}, act=at(6, 1))


def test_proposal_refused_before_the_lot_is_counted(
    in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    safe = in_june.works.places["fine-safe"]
    sheet = open_count_sheet(month_end=month_end, place=safe, act=at(6, 1))
    with refused("not_yet_counted", f"causes.{in_june.bar.code}"):
        propose_adjustments(sheet=sheet, causes={in_june.bar.code: "spillage"}, act=at(6, 1))


def test_adjustment_of_a_lot_counted_by_volume_brings_its_volume_to_the_count(
    in_june: SimpleNamespace, at: Make
) -> None:
    works = in_june.works
    opening = Opening(
        form="electrolyte",
        owner=works.house,
        place=works.places["carboys"],
        metals={"Ag": Amount(600 * G)},
        volume_ul=12_000_000,
    )
    carboy = open_lot(opening=opening, act=at(4, 15))
    month_end = begin_month_end(first_day=APRIL, act=at(6, 1))
    sheet = open_count_sheet(month_end=month_end, place=carboy.place, act=at(6, 1))
    found = Found(volume=Volume(11_900_000, 25_000))
    enter_count(sheet=sheet, lot=carboy, found=found, act=at(6, 1))
    propose_adjustments(sheet=sheet, causes={carboy.code: "spillage"}, act=at(6, 1))
    approve_adjustments(sheet=sheet, act=at(6, 1, who=works.manager))
    held = holding(carboy)
    assert (held.metals, held.mass_ug, held.volume_ul) == ({"Ag": 595 * G}, 0, 11_900_000)


def test_proposal_refused_twice_empty_or_of_an_unknown_lot(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    with refused("adjustment_pending", "lot"):
        propose_adjustments(sheet=proposed, causes={in_june.crystal.code: "spillage"}, act=at(6, 1))
    with refused("adjustment_pending", "lot"):
        recount_lot(sheet=proposed, lot=in_june.crystal, found=Found(sighted=True), act=at(6, 1))
    with refused("nothing_proposed", "causes"):
        propose_adjustments(sheet=proposed, causes={}, act=at(6, 1))
    with refused("unknown_lot", "causes.GR26-7777-7"):
        propose_adjustments(sheet=proposed, causes={"GR26-7777-7": "spillage"}, act=at(6, 1))
    with refused("adjustments_undecided", "month"):
        prepare_month(month_end=proposed.month_end, act=at(6, 1))


def test_nothing_is_proposed_once_the_month_is_prepared(
    counted: CountSheet, in_june: SimpleNamespace, at: Make, refused: Make
) -> None:
    prepare_month(month_end=counted.month_end, act=at(6, 1))
    with refused("month_not_counting", "month"):
        propose_adjustments(sheet=counted, causes={in_june.crystal.code: "spillage"}, act=at(6, 1))


def test_reversing_the_adjustment_leaves_the_difference_open_again(
    proposed: CountSheet, in_june: SimpleNamespace, at: Make, april: Period
) -> None:
    approve_adjustments(sheet=proposed, act=at(6, 1, who=in_june.works.manager))
    adjustment = CountAdjustment.objects.get()
    assert adjustment.movement is not None
    reverse_movement(movement=adjustment.movement, reason="found it", act=at(6, 1))
    adjustment.refresh_from_db()
    assert adjustment.state == "reversed"
    assert silver(april).unadjusted_ug == 2 * G
    assert holding(in_june.crystal).metals == {"Ag": 1_994_999_999}
