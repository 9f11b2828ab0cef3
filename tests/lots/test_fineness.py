"""Contents that can be are kept exactly; contents that cannot be are refused by name."""

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.refusals import InvalidError
from lots.fineness import (
    ISO_9202,
    MarkList,
    check_contents,
    content_ug,
    fineness_in,
    fineness_of,
    mark_for,
    parse_fineness,
)


def test_contents_of_a_contact_alloy():
    contents = check_contents({"Ag": Decimal("900"), "Cu": "99.5", "Pd": 0})
    assert contents == {"Ag": Decimal(900), "Cu": Decimal("99.5"), "Pd": Decimal(0)}
    assert content_ug(1_234_567, contents["Ag"]) == 1_111_110


def test_contents_may_fill_the_whole_but_no_more():
    assert check_contents({"Ag": "999.9999", "Cu": "0.0001"})
    with pytest.raises(InvalidError) as refusal:
        check_contents({"Ag": "999.9999", "Cu": "0.0002"}, field="assay")
    assert refusal.value.code == "fineness_sum_above_1000"
    assert refusal.value.field == "assay"


@pytest.mark.parametrize(
    ("value", "code"),
    [
        ("1000.1", "fineness_out_of_range"),
        ("-0.1", "fineness_out_of_range"),
        (Decimal("1E+20"), "fineness_out_of_range"),
        ("NaN", "not_a_number"),
        (Decimal("Infinity"), "not_a_number"),
        ("1e308", "not_a_number"),
        (925.0, "not_a_number"),
        (True, "not_a_number"),
        ("", "not_a_number"),
        (None, "not_a_number"),
        ("0." + "1" * 20, "too_many_digits"),
    ],
)
def test_impossible_content_refused(value, code):
    with pytest.raises(InvalidError) as refusal:
        check_contents({"Ag": "1", "Au": value}, field="lines.0.fineness")
    assert refusal.value.code == code
    assert refusal.value.field == "lines.0.fineness.Au"


@pytest.mark.parametrize("metal", ["Hg", "ag", "", "Silver"])
def test_unknown_metal_refused(metal):
    with pytest.raises(InvalidError) as refusal:
        check_contents({metal: "1"})
    assert refusal.value.code == "unknown_metal"
    assert refusal.value.field == f"fineness.{metal}"


def test_no_contents_are_contents_too():
    assert check_contents({}) == {}


@pytest.mark.parametrize(
    ("value", "unit", "ppt"),
    [
        ("92.5", "percent", "925"),
        ("34", "ppm", "0.034"),
        ("34", "g/t", "0.034"),
        ("925", "ppt", "925"),
    ],
)
def test_units_of_content(value, unit, ppt):
    fineness_ppt = parse_fineness(value, unit)
    assert fineness_ppt == Decimal(ppt)
    assert fineness_in(fineness_ppt, unit) == Decimal(value)


def test_unknown_unit_of_content_refused():
    with pytest.raises(InvalidError) as refusal:
        parse_fineness("18", "carat", field="declared")
    assert (refusal.value.code, refusal.value.field) == ("unknown_unit", "declared.unit")


def test_percent_above_a_hundred_refused():
    with pytest.raises(InvalidError) as refusal:
        parse_fineness("100.01", "percent", field="declared")
    assert (refusal.value.code, refusal.value.field) == ("fineness_out_of_range", "declared")


def test_content_rounds_half_to_even():
    half = Decimal(500)
    assert [content_ug(mass_ug, half) for mass_ug in (1, 3, 5)] == [0, 2, 2]
    assert content_ug(10_000_000_000_000, Decimal("999.9999")) == 9_999_999_000_000


def test_fineness_of_a_weighed_parting():
    assert fineness_of(925_000, 1_000_000) == Decimal("925.0000")
    assert fineness_of(1, 3) == Decimal("333.3333")
    assert fineness_of(2, 3, decimals=1) == Decimal("666.7")
    assert fineness_of(0, 3) == 0


@pytest.mark.parametrize(
    ("metal_ug", "mass_ug", "code"),
    [
        (1, 0, "not_positive"),
        (1, -5, "not_positive"),
        (6, 5, "fineness_out_of_range"),
        (-1, 5, "fineness_out_of_range"),
    ],
)
def test_impossible_fineness_refused(metal_ug, mass_ug, code):
    with pytest.raises(InvalidError) as refusal:
        fineness_of(metal_ug, mass_ug, field="recovered")
    assert (refusal.value.code, refusal.value.field) == (code, "recovered")


@settings(max_examples=150)
@given(
    mass_ug=st.integers(min_value=1_000_000, max_value=10_000_000_000_000),
    fineness_ppt=st.decimals(min_value=0, max_value=1000, places=4),
)
def test_fineness_comes_back_from_a_gram_or_more(mass_ug, fineness_ppt):
    metal_ug = content_ug(mass_ug, fineness_ppt)
    assert 0 <= metal_ug <= mass_ug
    # Half a microgram in a gram is 0.0005 parts per thousand.
    assert abs(fineness_of(metal_ug, mass_ug) - fineness_ppt) <= Decimal("0.0006")


def test_mark_of_a_list_of_ones_own():
    own = MarkList(name="own", source="invented for this test", marks={"Ag": (925, 958)})
    assert mark_for("Ag", Decimal("957.9"), own).mark == 925
    assert mark_for("Ag", Decimal(958), own).mark == 958
    found = mark_for("Ag", Decimal("924.9999"), own)
    assert found.mark is None
    assert found.marks_name == "own"


def test_mark_refused_for_a_metal_without_marks():
    with pytest.raises(InvalidError) as refusal:
        mark_for("Rh", Decimal(999), ISO_9202)
    assert (refusal.value.code, refusal.value.field) == ("no_marks_for_metal", "metal")


def test_mark_refused_for_an_impossible_fineness():
    with pytest.raises(InvalidError) as refusal:
        mark_for("Ag", Decimal(1001))
    assert (refusal.value.code, refusal.value.field) == ("fineness_out_of_range", "fineness")


def test_recalled_data_says_that_it_is_recalled():
    assert "from memory" in ISO_9202.source
