"""Figures as people write them, at the bench and in a sheet."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.refusals import InvalidError
from lots.sheets import values
from lots.sheets.cells import Cell
from lots.units import UNIT_NAMES, mass_to_ug
from lots.written import plain_number, read_mass, read_volume


@pytest.mark.parametrize(
    ("text", "mass_ug"),
    [
        ("1302.4 g", 1_302_400_000),
        ("1302,4 g", 1_302_400_000),
        ("1 302,4 grams", 1_302_400_000),
        ("1.302,4 g", 1_302_400_000),
        ("1,302.4 g", 1_302_400_000),
        ("2,5 kg", 2_500_000_000),
        ("1 troy ounce", 31_103_477),
        ("12,5", 12_500_000),
    ],
)
def test_mass_is_read_with_either_sign_and_its_unit_in_words(text: str, mass_ug: int) -> None:
    assert read_mass(text, unit="g").mass_ug == mass_ug


@pytest.mark.parametrize(("text", "volume_ul"), [("11,5 litres", 11_500_000), ("850 ml", 850_000)])
def test_volume_is_read_alike(text: str, volume_ul: int) -> None:
    assert read_volume(text) == volume_ul


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1,302 g", "ambiguous_number"),
        ("12", "not_a_number"),
        ("1e5 g", "not_a_number"),
        ("1,2,3 g", "not_a_number"),
        ("", "not_a_number"),
        ("5 ounces", "ambiguous_unit"),
        ("5 stone", "unknown_unit"),
        ("9" * 65 + " g", "not_a_number"),
    ],
)
def test_what_can_be_read_in_two_ways_or_none_is_refused(text: str, code: str) -> None:
    with pytest.raises(InvalidError) as caught:
        read_mass(text, field="gross")
    assert (caught.value.code, caught.value.field) == (code, "gross")


@given(
    grams=st.decimals("0.001", "99999", places=3),
    sign=st.sampled_from(".,"),
    unit=st.sampled_from(sorted(UNIT_NAMES)),
)
def test_bench_and_sheet_read_the_same(grams: Decimal, sign: str, unit: str) -> None:
    """Whatever one of them takes, the other takes for the same; they refuse the same too."""
    text = f"{grams:f} {unit}".replace(".", sign)
    ways = values.Ways(dt.UTC)

    def at_the_bench() -> int:
        return read_mass(text).mass_ug

    def in_a_sheet() -> int:
        digits, own = values.number_and_unit(Cell(text=text), ways, field="x")
        return mass_to_ug(digits, own)

    found = []
    for read in (at_the_bench, in_a_sheet):
        try:
            found.append(read())
        except InvalidError as refusal:
            found.append(refusal.code)
    assert found[0] == found[1]


@given(st.decimals("0.0001", "999999", places=4))
def test_a_number_of_four_decimals_is_the_same_with_a_comma(number: Decimal) -> None:
    text = f"{number:f}"
    assert plain_number(text.replace(".", ","), field="x") == plain_number(text, field="x") == text
