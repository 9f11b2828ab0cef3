"""Fineness marks: Finnish Safety and Chemicals Agency (Tukes), "Fineness requirements" (tukes.fi).

The examples and minimum finenesses are the agency's; the list of Finnish marks is that of the
Hallmarking Convention's country profile of Finland. ISO 9202 is held from memory and is no oracle.
"""

from decimal import Decimal

import pytest

from lots.fineness import FINLAND, mark_for


@pytest.mark.parametrize(("fineness", "mark"), [("588", 585), ("584", 375)])
def test_examples_of_the_regulator(fineness, mark):
    assert mark_for("Au", Decimal(fineness), FINLAND).mark == mark


@pytest.mark.parametrize(("metal", "minimum"), [("Au", 375), ("Pd", 500), ("Ag", 800)])
def test_nothing_is_marked_below_the_minimum_fineness(metal, minimum):
    assert mark_for(metal, Decimal(minimum), FINLAND).mark == minimum
    assert mark_for(metal, minimum - Decimal("0.1"), FINLAND).mark is None


def test_no_platinum_mark_lies_below_the_minimum_of_500():
    # The agency's minimum is 500; the lowest mark in the convention's list is 850.
    assert min(FINLAND.marks["Pt"]) >= 500
    assert mark_for("Pt", Decimal("849.9"), FINLAND).mark is None


@pytest.mark.parametrize(
    ("metal", "marks"),
    [
        ("Pt", (850, 900, 950, 999)),
        ("Au", (375, 585, 750, 916, 999)),
        ("Pd", (500, 850, 950, 999)),
        ("Ag", (800, 830, 925, 999)),
    ],
)
def test_marks_listed_for_finland(metal, marks):
    assert FINLAND.marks[metal] == marks
    for mark in marks:
        assert mark_for(metal, Decimal(mark), FINLAND).mark == mark
