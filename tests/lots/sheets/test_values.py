"""What a cell says, and what it may not be taken to say."""

from __future__ import annotations

import datetime as dt
from contextlib import suppress
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.refusals import InvalidError
from lots.sheets.cells import FORMULA, MOMENT, NUMBER, Cell, letters
from lots.sheets.values import (
    Ways,
    has_decimal_comma,
    mass_unit,
    number_and_unit,
    read_moment,
    read_yes_no,
)

LISBON = ZoneInfo("Europe/Lisbon")
WAYS = Ways(zone=LISBON)


def number_text(cell, ways, *, field):
    return number_and_unit(cell, ways, field=field)[0]


def refusal(read, *args, **options):
    with pytest.raises(InvalidError) as caught:
        read(*args, field="x", **options)
    assert caught.value.field == "x"
    assert caught.value.remedy
    return caught.value.code


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("1302.4", "1302.4"),
        ("1 302.4", "1302.4"),
        ("1\u202f302,4", "1302.4"),
        ("1'302.4", "1302.4"),
        ("12,5", "12.5"),
        ("0,125", "0.125"),
        ("1.234,5", "1234.5"),
        ("1,234.5", "1234.5"),
        ("1,234,567", "1234567"),
        ("1.234.567", "1234567"),
        ("-3", "-3"),
        (".5", ".5"),
        ("1.234", "1.234"),
    ],
)
def test_a_number_that_can_be_read_one_way_is_read(written, read):
    assert number_text(Cell(text=written), WAYS, field="x") == read


def test_a_number_two_people_would_read_differently_is_refused_until_the_sign_is_said():
    doubtful = Cell(text="1,234")
    assert refusal(number_text, doubtful, WAYS) == "ambiguous_number"
    assert number_text(doubtful, Ways(LISBON, decimal_sign=","), field="x") == "1.234"
    assert number_text(doubtful, Ways(LISBON, decimal_sign="."), field="x") == "1234"
    # A point is the decimal sign, unless other cells show that a comma is.
    pointed = Cell(text="1.234")
    assert refusal(number_text, pointed, Ways(LISBON, commas_seen=True)) == "ambiguous_number"
    assert number_text(pointed, Ways(LISBON, decimal_sign=","), field="x") == "1234"
    assert number_text(Cell(NUMBER, "1.234"), Ways(LISBON, commas_seen=True), field="x") == "1.234"


@pytest.mark.parametrize(
    ("written", "betrays"),
    [
        ("12,5", True),
        ("1.234,5", True),
        ("12,5 g", True),
        ("1,234", False),
        ("1,234.5", False),
        ("1.234.567", False),
    ],
)
def test_a_decimal_comma_beyond_doubt_is_seen(written, betrays):
    assert has_decimal_comma(Cell(text=written)) is betrays


@pytest.mark.parametrize("written", ["", "1e5", "NaN", "∞", "1,2,3", "1.2.3", "١٢", "1" * 65])
def test_what_is_no_number_is_refused(written):
    assert refusal(number_text, Cell(text=written), WAYS) == "not_a_number"


def test_a_unit_in_the_cell_is_taken_with_it():
    assert number_and_unit(Cell(text="41.87 oz t"), WAYS, field="x") == ("41.87", "ozt")
    assert number_and_unit(Cell(text="1302,4g"), WAYS, field="x") == ("1302.4", "g")
    assert number_and_unit(Cell(NUMBER, "7"), WAYS, field="x") == ("7", "")


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        (Cell(text="2026-05-04"), "2026-05-03T23:00"),  # Lisbon is an hour ahead in May
        (Cell(text="2026-05-04 09:30"), "2026-05-04T08:30"),
        (Cell(text="2026-05-04T09:30:15"), "2026-05-04T08:30:15"),
        (Cell(text="2026-05-04T09:30:00+03:00"), "2026-05-04T06:30"),
        (Cell(text="20260504"), "2026-05-03T23:00"),
        (Cell(text="31/03/2026"), "2026-03-30T23:00"),
        (Cell(text="03/31/2026"), "2026-03-30T23:00"),
        (Cell(text="04.04.2026 07:00"), "2026-04-04T06:00"),
        (Cell(text="4 May 2026"), "2026-05-03T23:00"),
        (Cell(text="04-May-2026 9:30"), "2026-05-04T08:30"),
        (Cell(MOMENT, "2026-05-04T09:30:00"), "2026-05-04T08:30"),
        (Cell(NUMBER, "46146.395833333336"), "2026-05-04T08:30"),
    ],
)
def test_a_moment_is_on_the_clocks_of_the_works(cell, read):
    moment = read_moment(cell, WAYS, field="x")
    assert moment.astimezone(dt.UTC) == dt.datetime.fromisoformat(read + "+00:00")


def test_a_day_written_with_figures_alone_needs_its_order():
    doubtful = Cell(text="03/04/2026")
    assert refusal(read_moment, doubtful, WAYS) == "ambiguous_date"
    day_first = read_moment(doubtful, Ways(LISBON, date_order="dmy"), field="x")
    month_first = read_moment(doubtful, Ways(LISBON, date_order="mdy"), field="x")
    assert (day_first.month, month_first.month) == (4, 3)
    assert refusal(read_moment, Cell(text="03/04/26"), WAYS) == "ambiguous_date"
    assert refusal(read_moment, Cell(text="31/04/2026"), Ways(LISBON, "mdy")) == "not_a_date"


@pytest.mark.parametrize("hour", ["2026-10-25 01:30", "2026-03-29 01:30"])
def test_an_hour_shown_twice_or_never_is_refused_without_its_offset(hour):
    """Lisbon's clocks went back at 02:00 on 25 October and forward at 01:00 on 29 March 2026."""
    assert refusal(read_moment, Cell(text=hour), WAYS) == "ambiguous_time"


def test_days_of_the_1904_system_are_four_years_and_a_day_on():
    """The two systems differ by 1462 days (common practice, no source)."""
    serial = Cell(NUMBER, "44684")
    moment = read_moment(serial, Ways(dt.UTC, from_1904=True), field="x")
    assert moment.date() == dt.date(2026, 5, 4)
    assert read_moment(Cell(NUMBER, "46146"), Ways(dt.UTC), field="x").date() == moment.date()


@pytest.mark.parametrize(
    "cell",
    [
        Cell(text="soon"),
        Cell(text="2026-13-01"),
        Cell(text="1999-01-01"),
        Cell(NUMBER, "12"),
        Cell(NUMBER, "99999"),
        Cell(text="0001-01-01T00:00:00+14:00"),
        Cell(FORMULA, "=NOW()"),
    ],
)
def test_what_is_no_day_is_refused(cell):
    assert refusal(read_moment, cell, WAYS) == "not_a_date"


@given(text=st.text(max_size=70), sign=st.sampled_from(["", ",", "."]))
def test_any_text_is_a_number_or_a_refusal(text, sign):
    for read in (number_text, number_and_unit):
        with suppress(InvalidError):
            read(Cell(text=text), Ways(dt.UTC, decimal_sign=sign), field="x")


@given(
    text=st.text(max_size=40)
    | st.from_regex(
        r"[0-9]{1,4}[/.-][0-9]{1,2}[/.-][0-9]{1,4}( [0-9]{1,2}:[0-9]{2})?", fullmatch=True
    ),
    order=st.sampled_from(["", "dmy", "mdy"]),
)
def test_any_text_is_a_moment_or_a_refusal(text, order):
    with suppress(InvalidError):
        moment = read_moment(Cell(text=text), Ways(LISBON, date_order=order), field="x")
        assert 2000 <= moment.year <= 2099
        assert moment.utcoffset() is not None


@given(value=st.decimals(min_value=0, max_value=10**9, places=4))
def test_a_number_written_by_any_convention_comes_back(value):
    plain = f"{value:f}"
    for written, sign in (
        (f"{value:,}", "."),
        (f"{value:,}".replace(",", " "), ""),
        (f"{value:,}".translate(str.maketrans(",.", ".,")), ","),
    ):
        assert number_text(Cell(text=written), Ways(dt.UTC, decimal_sign=sign), field="x") == plain


def test_columns_are_lettered_as_a_spreadsheet_does():
    assert [letters(at) for at in (0, 25, 26, 51, 52, 701, 702)] == [
        "A", "Z", "AA", "AZ", "BA", "ZZ", "AAA",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("said", "meant"), [("Yes", True), ("x", True), ("no", False), ("", False)]
)
def test_yes_and_no_are_read(said, meant):
    assert read_yes_no(Cell(text=said), field="sealed") is meant


def test_neither_yes_nor_no_and_a_mass_without_a_unit_are_refused():
    for read, said, code in (
        (read_yes_no, Cell(text="maybe"), "not_yes_or_no"),
        (mass_unit, "", "unit_needed"),
    ):
        with pytest.raises(InvalidError) as caught:
            read(said, field="sealed")
        assert (caught.value.code, caught.value.field) == (code, "sealed")
