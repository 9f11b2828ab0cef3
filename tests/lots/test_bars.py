"""A bar's weight, its fine metal and the rule behind each figure."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.refusals import InvalidError
from lots.bars import (
    GOLD_FINE_RULE,
    BarTable,
    RoundingRule,
    bar_weight_ozt,
    fine_weight,
    gross_weight,
    small_bar_fine_weight,
)
from lots.good_delivery import check_good_delivery
from lots.units import mass_to_ug


def test_silver_bar_of_the_works():
    # Invented: 31 kg of fine silver is 996.673... ozt.
    gross = gross_weight("Ag", mass_to_ug("31", "kg"))
    assert gross.gross_ozt == Decimal("996.6")
    assert gross.rule == "rounded down to 0.1 ozt"


@pytest.mark.parametrize(("metal", "step"), [("Au", "0.025"), ("Ag", "0.1")])
def test_bar_of_a_whole_number_of_steps_keeps_them_all(metal, step):
    # Half of all such masses are booked up to half a microgram short.
    for steps in range(1, 2000):
        weight_ozt = steps * Decimal(step)
        assert gross_weight(metal, mass_to_ug(weight_ozt, "ozt")).gross_ozt == weight_ozt


def test_bar_a_microgram_short_of_the_step_loses_it():
    assert gross_weight("Au", mass_to_ug("401.125", "ozt") - 1).gross_ozt == Decimal("401.100")


@pytest.mark.parametrize(
    ("weight_ozt", "gross_ozt"),
    [
        ("401.125", "401.100"),
        ("401.1269", "401.100"),
        ("401.127", "401.125"),
        ("401.149", "401.125"),
        ("0.001", "0"),
    ],
)
def test_beam_balance_must_turn(weight_ozt, gross_ozt):
    found = gross_weight("Au", mass_to_ug(weight_ozt, "ozt"), turn_of_scale=True)
    assert found.gross_ozt == Decimal(gross_ozt)
    assert "unless exceeded by 0.002 ozt" in found.rule


@pytest.mark.parametrize(("metal", "turn_of_scale"), [("Pt", False), ("Cu", False), ("Ag", True)])
def test_gross_weight_refused_without_a_rule(metal, turn_of_scale):
    with pytest.raises(InvalidError) as refusal:
        gross_weight(metal, 1_000_000_000, turn_of_scale=turn_of_scale)
    assert (refusal.value.code, refusal.value.field) == ("no_bar_rule", "metal")


@pytest.mark.parametrize("mass_ug", [0, -1])
def test_gross_weight_refused_for_nothing(mass_ug):
    with pytest.raises(InvalidError) as refusal:
        gross_weight("Au", mass_ug)
    assert (refusal.value.code, refusal.value.field) == ("not_positive", "mass")


def test_fine_weight_states_its_rule():
    found = fine_weight("Au", Decimal("25"), Decimal("999.9"))
    assert found.fine_ozt == Decimal("24.998")
    assert found.basis == "formula"
    assert found.rule == "gross x assay / 1000, rounded half up to 0.001 ozt"


def test_fine_weight_of_silver_needs_an_agreed_rule():
    with pytest.raises(InvalidError) as refusal:
        fine_weight("Ag", Decimal("1164.9"), Decimal("999.0"))
    assert (refusal.value.code, refusal.value.field) == ("no_bar_rule", "metal")
    agreed = RoundingRule("down", Decimal("0.1"))
    found = fine_weight("Ag", Decimal("1164.9"), Decimal("999.0"), agreed)
    assert found.fine_ozt == Decimal("1163.7")
    assert found.source == "agreed between the parties"


@pytest.mark.parametrize(
    ("gross", "assay", "code", "field"),
    [
        (Decimal(0), Decimal(995), "not_positive", "gross"),
        (Decimal("-1"), Decimal(995), "not_positive", "gross"),
        (Decimal("NaN"), Decimal(995), "not_a_number", "gross"),
        (400.0, Decimal(995), "not_a_number", "gross"),
        (Decimal(400), Decimal("1000.1"), "fineness_out_of_range", "assay"),
        (Decimal(400), Decimal("-1"), "fineness_out_of_range", "assay"),
    ],
)
def test_fine_weight_and_check_refuse_alike(gross, assay, code, field):
    for function in (fine_weight, check_good_delivery):
        with pytest.raises(InvalidError) as refusal:
            function("Au", gross, assay)
        assert (refusal.value.code, refusal.value.field) == (code, field)


def test_bar_weight_field_is_the_callers():
    with pytest.raises(InvalidError) as refusal:
        bar_weight_ozt("0", field="bars.3.gross")
    assert (refusal.value.code, refusal.value.field) == ("not_positive", "bars.3.gross")


@pytest.mark.parametrize(
    ("direction", "rounded"),
    [
        ("down", ["0.00", "0.00", "0.05", "0.05", "0.10"]),
        ("half up", ["0.00", "0.05", "0.05", "0.10", "0.15"]),
        ("half even", ["0.00", "0.00", "0.05", "0.10", "0.10"]),
    ],
)
def test_rounding_directions(direction, rounded):
    rule = RoundingRule(direction, Decimal("0.05"))
    values = [Decimal(v) for v in ("0.0249", "0.025", "0.05", "0.075", "0.125")]
    assert [rule.apply(value) for value in values] == [Decimal(r) for r in rounded]


def test_rounding_has_no_direction_below_zero():
    with pytest.raises(ValueError, match="not negative"):
        GOLD_FINE_RULE.apply(Decimal("-0.001"))


@settings(max_examples=150)
@given(
    value=st.decimals(min_value=0, max_value=100_000, places=7),
    step=st.sampled_from(["0.001", "0.025", "0.1", "1", "2.5"]),
    direction=st.sampled_from(["down", "half up", "half even"]),
)
def test_rounding_lands_on_a_step_within_reach(value, step, direction):
    rule = RoundingRule(direction, Decimal(step))
    rounded = rule.apply(value)
    assert rounded % rule.step == 0
    assert rule.apply(rounded) == rounded
    if direction == "down":
        assert 0 <= value - rounded < rule.step
    else:
        assert abs(value - rounded) <= rule.step / 2


@pytest.mark.parametrize(
    ("bar", "assay", "code", "field"),
    [
        ("15 g", Decimal("999.9"), "bar_not_in_table", "bar"),
        ("100 g", Decimal("999.5"), "assay_not_in_table", "assay"),
    ],
)
def test_small_bar_refused_outside_the_table(bar, assay, code, field):
    with pytest.raises(InvalidError) as refusal:
        small_bar_fine_weight(bar, assay)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_small_bar_of_a_table_of_ones_own():
    table = BarTable(
        metal="Ag",
        name="flat bars",
        source="invented for this test",
        assays_ppt=(Decimal(999),),
        fine_ozt={"one": (Decimal("1.234"),)},
    )
    found = small_bar_fine_weight("one", Decimal("999.0"), table)
    assert found.fine_ozt == Decimal("1.234")
    assert found.metal == "Ag"
    assert found.basis == "agreed table"
    assert found.rule == "agreed table: flat bars"


def test_good_delivery_is_for_gold_and_silver():
    with pytest.raises(InvalidError) as refusal:
        check_good_delivery("Pt", Decimal(100), Decimal(999))
    assert (refusal.value.code, refusal.value.field) == ("no_bar_rule", "metal")
