"""Bars put on the list: by London's rules, by the agreed table, by the parties' own rounding."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest
from django.db import IntegrityError

from lots.bars import RoundingRule
from lots.measurements.assays import record_assay
from lots.measurements.weighings import Weight, record_weighing
from lots.measurements.withdrawal import withdraw_measurement
from lots.models import BarRecord, Lot
from lots.queries.bar_list import bar_list
from lots.services.bars_listing import NO_FINE_WEIGHT, Bar, list_bar, strike_bar
from lots.services.quarantine import quarantine_lot

G = 1_000_000
OZT_G = Decimal("31.1034768")


@pytest.fixture
def cast(works, act, received, report):
    """A bar of so many troy ounces (or micrograms) with an assay, as the list needs it."""
    works.balance.capacity_ug = 40_000 * G
    works.balance.save()

    def make(metal, ozt, ppt, mark="TQ 1", *, ug=None, **given):
        mass_ug = ug or round(Decimal(ozt) * OZT_G * G)
        lot = received(
            owner=works.house,
            form=Lot.Form.BAR,
            declared={metal: ppt},
            weight=Weight(mass_ug, 0, works.balance),
        )
        assay = record_assay(lot=lot, report=report({metal: ppt}, u="0.02"), act=act(1))
        weighing = record_weighing(
            lot=lot, weight=Weight(mass_ug, 0, works.balance), purpose="output", act=act(1)
        )
        return lot, Bar(mark, metal, weighing, assay, **given)

    return make


# LBMA Good Delivery Rules, Annex C, weight list: 401.125 ozt gross at 995.8 is 399.440 fine.
def test_a_gold_bar_is_listed_by_the_london_rules(cast, act):
    lot, bar = cast("Au", "401.130", "995.8")
    record = list_bar(lot=lot, bar=bar, act=act(2))
    assert (record.gross_ozt, record.fine_ozt) == (Decimal("401.125"), Decimal("399.440"))
    assert record.gross_rule == "rounded down to 0.025 ozt"
    assert record.fine_rule == "gross x assay / 1000, rounded half up to 0.001 ozt"
    assert record.fine_basis == "formula"
    assert "Annex C" in record.fine_source
    assert (record.weighing, record.assay) == (bar.weighing, bar.assay)


def test_the_turn_of_the_scale_takes_a_step_and_says_so(cast, act):
    lot, bar = cast("Au", "401.1265", "995.8", turn_of_scale=True)
    record = list_bar(lot=lot, bar=bar, act=act(2))
    assert record.gross_ozt == Decimal("401.100")
    assert "unless exceeded by 0.002 ozt" in record.gross_rule


def test_a_small_bar_follows_the_agreed_table_and_not_the_formula(cast, act):
    # 1 kg at 999.9 by the table of agreed fine gold content: 32.148, where the formula gives
    # 32.150 x 0.9999 = 32.147.
    lot, bar = cast("Au", "", "999.93", ug=1000 * G, stamped_ppt=Decimal("999.9"))
    record = list_bar(lot=lot, bar=replace(bar, small_bar="1 kg"), act=act(2))
    assert (record.gross_ozt, record.fine_ozt) == (Decimal("32.150"), Decimal("32.148"))
    assert record.fine_basis == "agreed table"
    assert record.fine_rule == "agreed table: small gold bars, London"
    strike_bar(record=record, reason="to list by formula", act=act(3))
    assert list_bar(lot=lot, bar=bar, act=act(4)).fine_ozt == Decimal("32.147")


def test_silver_states_no_fine_weight_unless_a_rule_is_agreed(cast, act):
    lot, bar = cast("Ag", "", "999.93", ug=31_103_476_800)
    record = list_bar(lot=lot, bar=bar, act=act(2))
    assert (record.gross_ozt, record.fine_ozt) == (Decimal(1000), None)
    assert (record.fine_basis, record.fine_rule) == ("not stated", NO_FINE_WEIGHT)
    agreed = replace(
        bar,
        mark="TQ 2",
        gross_rule=RoundingRule("half even", Decimal("0.01")),
        fine_rule=RoundingRule("down", Decimal("0.1")),
    )
    strike_bar(record=record, reason="a rule was agreed", act=act(3))
    other = list_bar(lot=lot, bar=agreed, act=act(4))
    assert (other.gross_ozt, other.fine_ozt) == (Decimal(1000), Decimal("999.9"))
    assert other.gross_rule == "rounded half even to 0.01 ozt, agreed between the parties"
    assert other.fine_source == "agreed between the parties"


def test_the_list_adds_up_by_metal_and_names_limits_that_are_not_kept(cast, act):
    for metal, ozt, ppt, mark in (
        ("Au", "401.130", "995.8", "G1"),
        ("Au", "300.010", "994.0", "G2"),
        ("Ag", "1000.05", "999.93", "S1"),
    ):
        lot, bar = cast(metal, ozt, ppt, mark)
        list_bar(lot=lot, bar=bar, act=act(2))
    listed = bar_list(BarRecord.objects.select_related("lot").order_by("id"))
    gold, silver = listed.totals
    assert (gold.metal, gold.bars, gold.gross_ozt) == ("Au", 2, Decimal("701.125"))
    assert gold.fine_ozt == sum(row.fine_ozt for row in listed.bars if row.metal == "Au")
    assert (silver.fine_ozt, silver.without_fine) == (0, 1)
    assert [bool(row.outside) for row in listed.bars] == [False, True, False]
    assert "fineness is below" in listed.bars[1].outside[0]


def test_what_does_not_belong_to_the_bar_is_refused(cast, act, received, refused, works, report):
    lot, bar = cast("Au", "401.130", "995.8")
    _, theirs = cast("Au", "401.130", "995.8")
    with refused("not_of_this_lot", "weighing"):
        list_bar(lot=lot, bar=replace(bar, weighing=theirs.weighing), act=act(2))
    with refused("not_of_this_lot", "assay"):
        list_bar(lot=lot, bar=replace(bar, assay=theirs.assay), act=act(2))
    with refused("not_assayed_for", "assay"):
        list_bar(lot=lot, bar=replace(bar, metal="Ag"), act=act(2))
    with refused("unknown_metal", "metal"):
        list_bar(lot=lot, bar=replace(bar, metal="Xx"), act=act(2))
    with refused("empty", "mark"):
        list_bar(lot=lot, bar=replace(bar, mark=" "), act=act(2))
    with refused("stamped_above_assay", "stamped"):
        list_bar(lot=lot, bar=replace(bar, stamped_ppt=Decimal("995.9")), act=act(2))
    rule = RoundingRule("down", Decimal("0.001"))
    with refused("two_rules", "turn_of_scale"):
        list_bar(lot=lot, bar=replace(bar, gross_rule=rule, turn_of_scale=True), act=act(2))
    with refused("two_rules", "small_bar"):
        list_bar(lot=lot, bar=replace(bar, fine_rule=rule, small_bar="1 kg"), act=act(2))
    with refused("bar_not_in_table", "bar"):
        list_bar(lot=lot, bar=replace(bar, small_bar="2 kg"), act=act(2))
    feed = received(1000)
    with refused("not_a_bar", "lot"):
        list_bar(lot=feed, bar=bar, act=act(2))
    silver, silver_bar = cast("Ag", "1000.05", "999.93")
    with refused("no_bar_rule", "small_bar"):
        list_bar(lot=silver, bar=replace(silver_bar, small_bar="1 kg"), act=act(2))
    copper, copper_bar = cast("Cu", "100", "999")
    with refused("no_bar_rule", "metal"):
        list_bar(lot=copper, bar=copper_bar, act=act(2))


def test_a_bar_and_a_mark_are_on_the_list_once(cast, act, refused):
    lot, bar = cast("Au", "401.130", "995.8")
    other, theirs = cast("Au", "401.130", "995.8")
    record = list_bar(lot=lot, bar=bar, act=act(2))
    with refused("already_listed", "lot"):
        list_bar(lot=lot, bar=replace(bar, mark="TQ 2"), act=act(2))
    with refused("mark_in_use", "mark"):
        list_bar(lot=other, bar=theirs, act=act(2))
    with refused("empty", "reason"):
        strike_bar(record=record, reason=" ", act=act(3))
    strike_bar(record=record, reason="wrong mark", act=act(3))
    with refused("already_struck", "record"):
        strike_bar(record=record, reason="again", act=act(3))
    assert list_bar(lot=other, bar=theirs, act=act(4)).mark == "TQ 1"
    with pytest.raises(IntegrityError):
        BarRecord.objects.filter(pk=record.pk).update(struck_at=None, struck_by=None)


def test_what_was_withdrawn_or_set_aside_is_not_listed(cast, act, refused):
    lot, bar = cast("Au", "401.130", "995.8")
    withdraw_measurement(measurement=bar.weighing, reason="misread", act=act(2))
    bar.weighing.refresh_from_db()
    with refused("withdrawn", "weighing"):
        list_bar(lot=lot, bar=bar, act=act(3))
    quarantine_lot(lot=lot, reason="cracked", act=act(3))
    with refused("lot_not_available", "lot"):
        list_bar(lot=lot, bar=bar, act=act(4))
