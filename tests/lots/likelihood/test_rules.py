"""What is asked of weights and finenesses of lots, and what is not."""

from __future__ import annotations

from decimal import Decimal

import pytest

from lots.likelihood import rules
from lots.likelihood.figures import Range


def ppt(**declared: str) -> dict[str, Decimal]:
    return {metal: Decimal(value) for metal, value in declared.items()}


@pytest.mark.parametrize(
    ("declared", "is_metal"),
    [
        (ppt(Ag="0.925"), False),
        (ppt(Ag="0.925", Cu="0.075"), True),
        (ppt(Ag="92.5", Cu="7.5"), False),
        (ppt(Ag="92.5"), True),
    ],
)
def test_a_fraction_or_a_percentage_is_asked_about(declared, is_metal):
    ranges = rules.fineness_ranges(declared, is_metal=is_metal)
    assert not ranges["Ag"].contains(declared["Ag"])
    # What was meant lies in the range.
    assert any(ranges["Ag"].contains(declared["Ag"] * times) for times in (10, 1000))


@pytest.mark.parametrize(
    ("declared", "is_metal"),
    [
        (ppt(Ag="925", Cu="75"), True),
        (ppt(Ag="800"), True),
        (ppt(Ag="45", Au="0.8"), False),
        (ppt(), True),
    ],
)
def test_parts_per_thousand_are_not(declared, is_metal):
    for metal, limits in rules.fineness_ranges(declared, is_metal=is_metal).items():
        assert limits.contains(declared[metal])


def test_fine_metal_is_fine():
    (limits,) = rules.fineness_ranges(ppt(Ag="999"), is_metal=False, is_fine=True).values()
    assert (limits.low, limits.high) == (Decimal(900), Decimal(1000))


def test_a_lot_weighed_again_is_near_its_last_mass():
    limits = rules.same_mass_g(Decimal(1000))
    assert limits.contains(Decimal("1008"))
    assert not limits.contains(Decimal("1080"))
    assert not limits.contains(Decimal("100"))


def test_what_usually_comes_counts_once_there_is_enough_of_it():
    few = rules.received_mass_g([Decimal(100)] * 4, Decimal(6200), Decimal("0.1"))
    many = rules.received_mass_g([Decimal(100)] * 5, Decimal(6200), Decimal("0.1"))
    assert few.contains(Decimal(5000))
    assert not many.contains(Decimal(5000))
    assert not few.contains(Decimal(1)), "too little for the balance"


def test_a_scale_of_unknown_capacity_asks_only_by_what_usually_comes():
    assert rules.received_mass_g([], None, Decimal("0.1")) is None
    many = rules.received_mass_g([Decimal(100)] * 5, None, Decimal("0.1"))
    assert many is not None
    assert many.contains(Decimal(500))
    assert not many.contains(Decimal(5000))


def test_an_assay_is_near_what_the_book_has_and_traces_are_left_alone():
    ranges = rules.found_ranges(ppt(Ag="925", Pd="1", Rh="0.1"), ppt(Ag="918", Pd="2", Rh="9"))
    assert ranges["Ag"].contains(Decimal("918"))
    assert not ranges["Ag"].contains(Decimal("91.8"))
    assert not ranges["Pd"].contains(Decimal(20))
    assert "Rh" not in ranges


def test_a_sample_is_a_small_part():
    limits = rules.sample_g(Decimal(2000))
    assert limits.contains(Decimal("12.5"))
    assert not limits.contains(Decimal("1250"))


def test_two_ranges_leave_what_both_leave_and_say_both_reasons():
    whole = Range(Decimal(1), None, "a").within(Range(None, Decimal(9), "b"))
    assert (whole.low, whole.high, whole.why) == (Decimal(1), Decimal(9), "a; b")
