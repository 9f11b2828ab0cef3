"""What people write at the bench becomes whole micrograms, or is refused by name."""

from decimal import Decimal

import pytest

from config.refusals import InvalidError
from lots.units import (
    MASS_UG_MAX,
    canonical_unit,
    mass_to_ug,
    parse_decimal,
    parse_mass,
    proportion_ug,
    round_to_ug,
    share_ug,
    ug_to,
    ug_to_g,
    ug_to_ozt,
)

LONG = "1" * 10_000


@pytest.mark.parametrize(
    ("text", "mass_ug", "value", "unit"),
    [
        ("1 302.4 g", 1_302_400_000, "1302.4", "g"),
        # 41.87 x 31 103 476.8 = 1 302 302 573.616, and 26 x 1 555 173.84 = 40 434 519.84.
        ("41.87 ozt", 1_302_302_574, "41.87", "ozt"),
        ("26 dwt", 40_434_520, "26", "dwt"),
    ],
)
def test_mass_is_read_as_written_on_the_bench(text, mass_ug, value, unit):
    quantity = parse_mass(text)
    assert quantity.mass_ug == mass_ug
    assert quantity.value == Decimal(value)
    assert quantity.unit == unit


@pytest.mark.parametrize(
    ("text", "mass_ug"),
    [
        ("  12g ", 12_000_000),
        ("1'302.4 g", 1_302_400_000),
        ("1\u202f302.4\u00a0G", 1_302_400_000),
        (".5 kg", 500_000_000),
        ("5. mg", 5_000),
        ("+3 µg", 3),
        ("2.5 oz t", 77_758_692),
        ("1 oz avdp", 28_349_523),
        ("1 lb", 453_592_370),
        ("1 g\n", 1_000_000),
    ],
)
def test_mass_spellings(text, mass_ug):
    assert parse_mass(text).mass_ug == mass_ug


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1,302.4 g", "not_a_number"),
        ("1.302,4 g", "not_a_number"),
        ("NaN g", "not_a_number"),
        ("inf g", "not_a_number"),
        ("1e308", "not_a_number"),
        ("1e308 g", "not_a_number"),
        ("1E-3 g", "not_a_number"),
        ("", "not_a_number"),
        ("   ", "not_a_number"),
        ("g", "not_a_number"),
        ("12", "not_a_number"),
        ("1.2.3 g", "not_a_number"),
        ("1-2 g", "not_a_number"),
        ("١٢ g", "not_a_number"),
        (LONG, "not_a_number"),
        (LONG + " g", "not_a_number"),
        ("1 g" + " " * 300 + "or so", "not_a_number"),
        (True, "not_a_number"),
        (1.5, "not_a_number"),
        (12, "not_a_number"),
        (None, "not_a_number"),
        (["1 g"], "not_a_number"),
        (b"1 g", "not_a_number"),
        ("1.01234567890123456789 g", "too_many_digits"),
        ("1000000000000000000000000 ug", "too_many_digits"),
        ("1 stone", "unknown_unit"),
        ("1 g 3 mg", "unknown_unit"),
        ("1 oz", "ambiguous_unit"),
        ("-1 g", "not_positive"),
        ("0 g", "not_positive"),
        ("0.0000001 g", "too_small"),
        ("10000.000000001 kg", "too_large"),
    ],
)
def test_mass_refused(text, code):
    with pytest.raises(InvalidError) as refusal:
        parse_mass(text, field="lines.0.net")
    assert refusal.value.code == code
    assert refusal.value.field == "lines.0.net"
    assert refusal.value.remedy
    assert len(refusal.value.value or "") <= 80


def test_largest_mass_and_half_a_microgram():
    assert mass_to_ug("10", "kg") * 1000 == MASS_UG_MAX
    assert mass_to_ug("10000", "kg") == MASS_UG_MAX
    assert mass_to_ug("1.5", "ug") == 2
    assert mass_to_ug("2.5", "ug") == 2
    assert mass_to_ug("0.51", "ug") == 1


@pytest.mark.parametrize("value", ["0", "0.0000001"])
def test_zero_is_a_mass_where_the_caller_allows_it(value):
    assert mass_to_ug(value, "g", positive=False) == 0
    with pytest.raises(InvalidError):
        mass_to_ug(value, "g")


def test_negative_mass_refused_even_where_zero_is_allowed():
    with pytest.raises(InvalidError) as refusal:
        mass_to_ug("-0.1", "g", field="tare", positive=False)
    assert (refusal.value.code, refusal.value.field) == ("not_positive", "tare")


@pytest.mark.parametrize(
    ("unit", "code"), [("carat", "unknown_unit"), ("", "unknown_unit"), ("OZ", "ambiguous_unit")]
)
def test_unit_refused_on_its_own_field(unit, code):
    with pytest.raises(InvalidError) as refusal:
        mass_to_ug("1", unit, field="gross")
    assert (refusal.value.code, refusal.value.field) == (code, "gross.unit")


def test_unit_spelling():
    assert canonical_unit(" OZ  T ") == "ozt"
    assert canonical_unit("μg") == canonical_unit("µg") == "ug"
    with pytest.raises(InvalidError) as refusal:
        canonical_unit("g" + " " * 300 + "or so")
    assert (refusal.value.code, refusal.value.field) == ("unknown_unit", "unit")


@pytest.mark.parametrize(
    ("value", "number"),
    [
        ("12.50", "12.50"),
        (7, "7"),
        (Decimal("1.25"), "1.25"),
        (Decimal("2E+2"), "200"),
        ("-3", "-3"),
    ],
)
def test_decimal_from_text_int_or_decimal(value, number):
    assert parse_decimal(value, field="x") == Decimal(number)


@pytest.mark.parametrize(
    ("value", "code"),
    [
        ("", "not_a_number"),
        (None, "not_a_number"),
        (True, "not_a_number"),
        (1.5, "not_a_number"),
        (float("nan"), "not_a_number"),
        ("NaN", "not_a_number"),
        ("Infinity", "not_a_number"),
        ("1e308", "not_a_number"),
        ("1_000", "not_a_number"),
        ("1,5", "not_a_number"),
        ("0x10", "not_a_number"),
        (LONG, "not_a_number"),
        (Decimal("NaN"), "not_a_number"),
        (Decimal("sNaN"), "not_a_number"),
        (Decimal("-Infinity"), "not_a_number"),
        ({"a": 1}, "not_a_number"),
        (Decimal("1E+9999999"), "too_large"),
        pytest.param(10**10_000, "too_large", id="integer of ten thousand digits"),
        (Decimal("1E-9999999"), "too_many_digits"),
        (Decimal("0E-9999999"), "too_many_digits"),
        ("0." + "1" * 20, "too_many_digits"),
        ("1.0000000000", "too_many_digits"),
        ("1" * 25, "too_many_digits"),
        ("0.5", "too_small"),
        ("100.1", "too_large"),
    ],
)
def test_decimal_refused(value, code):
    with pytest.raises(InvalidError) as refusal:
        parse_decimal(value, field="spent", minimum=Decimal(1), maximum=Decimal(100))
    assert refusal.value.code == code
    assert refusal.value.field == "spent"


def test_printing_masses():
    assert ug_to_g(1_234_567) == Decimal("1.234567")
    assert ug_to_ozt(31_103_477) == Decimal("1.000000")
    assert ug_to_ozt(31_103_477, 9) == Decimal("1.000000006")
    assert ug_to(2_500, "mg", 0) == Decimal(2)
    assert ug_to(3_500, "mg", 0) == Decimal(4)
    assert ug_to_g(-1) == Decimal("-0.000001")


def test_statistics_come_back_by_half_even_rounding():
    assert [round_to_ug(x) for x in (0.5, 1.5, -2.5, Decimal("2.5000001"))] == [0, 2, -2, 3]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), Decimal("sNaN")])
def test_nothing_but_a_number_comes_back_from_statistics(value):
    with pytest.raises(ValueError, match="is not a mass"):
        round_to_ug(value)


def test_shares_place_the_remainder_with_the_largest_fraction():
    assert share_ug(100, [1, 1, 1]) == [34, 33, 33]
    assert share_ug(-100, [1, 1, 1]) == [-34, -33, -33]
    assert share_ug(10, [0, 3, 4]) == [0, 4, 6]
    assert share_ug(0, [0, 0]) == [0, 0]
    assert share_ug(0, []) == []


def test_shares_refuse_the_impossible():
    with pytest.raises(ValueError, match="every weight is zero"):
        share_ug(1, [0, 0])
    with pytest.raises(ValueError, match="negative"):
        share_ug(1, [1, -1, 1])


def test_proportion_rounds_half_to_even():
    assert [proportion_ug(total, 1, 2) for total in (1, 3, 5, -1, -3)] == [0, 2, 2, 0, -2]
    assert proportion_ug(MASS_UG_MAX, 2, 3) == 6_666_666_666_667
