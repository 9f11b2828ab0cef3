"""Every slip is found again from what it made, and nothing is asked that is in its range."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lots.likelihood import slips
from lots.likelihood.figures import Held, HeldMoment, Range
from lots.likelihood.slips import moment_slips, number_slips

FIGURES = st.decimals("0.01", "99999", places=2, allow_nan=False, allow_infinity=False)


def meant(typed: str, kind: str, others: tuple[tuple[str, Decimal], ...] = ()) -> set[Decimal]:
    return {each.value for each in number_slips(Decimal(typed), others) if each.kind == kind}


@pytest.mark.parametrize(
    ("typed", "kind", "value"),
    [
        ("580", slips.POINT, "58"),
        ("580", slips.POINT, "5.8"),
        ("0.925", slips.POINT, "925"),
        ("93.5", slips.SWAPPED, "39.5"),
        ("3995", slips.DOUBLED, "395"),
        ("4512.3", slips.EXTRA, "412.3"),
        ("41.3", slips.MISSING, "412.3"),
        ("1E+2", slips.POINT, "10"),
        ("7", slips.MISSING, "70"),
    ],
)
def test_what_was_meant_is_among_what_may_have_been(typed, kind, value):
    assert Decimal(value) in meant(typed, kind)


def test_another_unit_is_the_same_number_with_that_unit():
    (found,) = (
        each for each in number_slips(Decimal("12"), (("ozt", Decimal("31.1034768")),))
        if each.kind == slips.UNIT
    )  # fmt: skip
    assert (found.value, found.number, found.unit) == (Decimal("373.2417216"), Decimal(12), "ozt")


@given(true=FIGURES, at=st.integers(0, 6), digit=st.integers(0, 9))
def test_one_digit_more_or_less_or_out_of_place_is_found_again(true, at, digit):
    sign, digits, exponent = true.as_tuple()
    at = min(at, len(digits) - 1)
    for made in (
        (*digits[:at], digit, *digits[at:]),
        digits[:at] + digits[at + 1 :],
        (*digits[:at], *reversed(digits[at : at + 2]), *digits[at + 2 :]),
    ):
        typed = Decimal((sign, made or (0,), exponent))
        found = {each.value for each in number_slips(typed)}
        assert true in found or typed == true or made[:1] == (0,) or not made


def test_a_moment_is_found_a_day_a_month_and_a_year_away():
    typed = dt.datetime(2026, 5, 4, 9, 30, tzinfo=dt.UTC)
    found = {moment for _, moment in moment_slips(typed)}
    for other in ("2026-05-05", "2026-05-03", "2026-04-04", "2025-05-04", "2026-04-05"):
        assert dt.datetime.fromisoformat(f"{other}T09:30+00:00") in found
    assert list(moment_slips(dt.datetime(2026, 3, 31, tzinfo=dt.UTC)))[6][1].day == 30


RANGE = Range(Decimal(30), Decimal(60), "the last reading is 40 A")


def test_a_figure_in_its_range_is_not_asked_about():
    for value in ("30", "45.5", "60"):
        assert Held("current_a", Decimal(value), "A", RANGE).question() is None


def test_a_question_says_range_and_reason_and_suggests_what_lies_in_it():
    question = Held("current_a", Decimal("450"), "A", RANGE).question()
    assert question is not None
    assert (question.given, question.low, question.high) == ("450 A", "30 A", "60 A")
    assert question.why == "the last reading is 40 A"
    assert (question.suggestions[0].text, question.suggestions[0].unit) == ("45", "A")
    assert question.suggestions[0].slip == slips.POINT
    assert len({each.text for each in question.suggestions}) == len(question.suggestions)
    for each in question.suggestions:
        assert RANGE.contains(Decimal(each.text))


def test_a_range_open_on_one_side_holds_on_the_other():
    least = Range(Decimal(10), None, "")
    assert Held("x", Decimal(10**9), "g", least).question() is None
    question = Held("x", Decimal(1), "g", least).question()
    assert question is not None
    assert (question.low, question.high) == ("10 g", "")


def test_a_mass_typed_in_grams_that_was_in_troy_ounces_says_so():
    question = Held(
        "gross", Decimal("12.5"), "g", Range(Decimal(380), Decimal(400), "the lot's last"),
        (("ozt", Decimal("31.1034768")), ("kg", Decimal(1000))), with_unit=True,
    ).question()  # fmt: skip
    assert question is not None
    assert [each.text for each in question.suggestions if each.slip == slips.UNIT] == ["12.5 ozt"]


def test_a_moment_before_its_neighbour_suggests_the_day_after():
    low, high = (dt.datetime(2026, 5, 5, hour, tzinfo=dt.UTC) for hour in (8, 12))
    typed = low + dt.timedelta(hours=2, days=-1)
    question = HeldMoment("occurred_at", typed, low, high, "read later", dt.UTC).question()
    assert question is not None
    assert (question.low, question.given) == ("2026-05-05T08:00", "2026-05-04T10:00")
    assert question.suggestions[0].text == "2026-05-05T10:00"
    at_the_end = HeldMoment("occurred_at", high, low, high, "read later", dt.UTC)
    assert at_the_end.question() is None
