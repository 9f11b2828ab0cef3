"""Slips of the pen recognised by what the other measurements imply."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lots.units import UG_PER_UNIT
from reports.statistics.mistake_shapes import Shape, explain_fineness, explain_mass


def first(recorded, unit, implied, u, **more):
    return explain_mass(Decimal(recorded), unit, implied, u, **more)[0]


def test_two_swapped_digits():
    best = first("1432.4", "g", 1342.1, 0.8)
    assert best.shape is Shape.TRANSPOSED
    assert best.value == Decimal("1342.4")
    assert best.detail == "the digits 34 were written as 43"
    assert best.sentence("weighing W", "g") == (
        "weighing W: perhaps the digits 34 were written as 43; it would then read 1342.4 g"
    )


def test_a_tare_left_on_and_a_tare_taken_twice():
    best = first("1302.4", "g", 1200.3, 0.5, tare=Decimal("102.0"))
    assert (best.shape, best.value) == (Shape.TARE_NOT_TAKEN, Decimal("1200.4"))
    best = first("1098.4", "g", 1200.3, 0.5, tare=Decimal("102.0"))
    assert (best.shape, best.value) == (Shape.TARE_TAKEN_TWICE, Decimal("1200.4"))


@pytest.mark.parametrize(
    ("unit", "shown", "other"),
    [
        ("g", "41.87", "ozt"),
        ("g", "26.0", "dwt"),
        ("g", "2.871", "lb"),
        ("ozt", "1302.4", "g"),
        ("ozt", "45.94", "ozav"),
        ("g", "20100", "gr"),
    ],
)
def test_a_figure_in_another_unit(unit, shown, other):
    implied = float(Decimal(shown) * UG_PER_UNIT[other] / UG_PER_UNIT[unit])
    best = first(shown, unit, implied * 1.0001, implied * 2e-4)
    assert best.shape is Shape.WRONG_UNIT
    assert float(best.value) == pytest.approx(implied, rel=1e-4)


def test_grams_for_kilograms_is_a_unit_or_a_slip_and_both_are_named():
    found = explain_mass(Decimal("1.3024"), "g", 1302.1, 0.5)
    assert {answer.shape for answer in found} == {Shape.WRONG_UNIT, Shape.DECIMAL_SLIP}
    assert sum(answer.weight for answer in found) == pytest.approx(1)


def test_a_slipped_decimal_point():
    best = first("130.24", "g", 1302.1, 0.5)
    assert (best.shape, best.value) == (Shape.DECIMAL_SLIP, Decimal("1302.4"))
    assert best.detail == "the decimal point slipped 1 place to the left"


def test_per_cent_for_parts_per_thousand_and_back():
    assert explain_fineness(Decimal("92.5"), 925.3, 0.6)[0].shape is Shape.PER_CENT
    assert explain_fineness(Decimal("925"), 92.4, 0.6)[0].shape is Shape.PER_MILLE


def test_swapped_digits_of_a_fineness():
    best = explain_fineness(Decimal("952.0"), 925.3, 0.6)[0]
    assert (best.shape, best.value) == (Shape.TRANSPOSED, Decimal("925.0"))


def test_a_value_that_fits_needs_no_explanation():
    assert explain_mass(Decimal("1302.4"), "g", 1301.5, 0.5) == ()


def test_a_value_that_no_slip_explains_gets_none():
    assert explain_mass(Decimal("1302.4"), "g", 1217.7, 0.5) == ()


def test_a_vague_implied_value_ranks_the_closer_slip_first():
    found = explain_mass(Decimal("5432"), "g", 4560.0, 60.0)
    misfits = [abs(answer.misfit) for answer in found if answer.shape is Shape.TRANSPOSED]
    assert misfits == sorted(misfits)


def test_an_uncertainty_of_zero_is_our_mistake():
    with pytest.raises(ValueError, match="above zero"):
        explain_mass(Decimal(1), "g", 2.0, 0.0)


@settings(max_examples=60, deadline=None)
@given(st.integers(100, 9_999_999), st.integers(0, 5))
def test_every_visible_swap_is_found(number, place):
    digits = list(str(number))
    place %= len(digits) - 1
    if digits[place] == digits[place + 1] or (place == 0 and digits[1] == "0"):
        return
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    wrong = Decimal("".join(digits)).scaleb(-2)
    right = Decimal(number).scaleb(-2)
    found = explain_mass(wrong, "g", float(right), 0.002)
    assert right in [answer.value for answer in found]
