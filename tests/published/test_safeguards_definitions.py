"""Definitions of the inventory difference in nuclear materials accountancy, positive = loss.

No fully numeric worked example was found in an open copy, so the algebra is checked, not a figure.
"""

from __future__ import annotations

import pytest

from reports.statistics.inventory_difference import LIMIT_95, Verdict, inventory_difference, verdict
from reports.statistics.uncertainty import measured


def terms(beginning, receipts, removals, ending):
    names = ("beginning", "receipts", "removals", "ending")
    values = (beginning, receipts, removals, ending)
    return [[measured(value, 1.0, name)] for name, value in zip(names, values, strict=True)]


def test_definition_of_us_aec_regulatory_guide_5_33():
    """(Beginning inventory + receipts) - (removals + ending inventory); June 1974."""
    answer = inventory_difference(*terms(100.0, 40.0, 35.0, 98.0))
    assert answer.difference == pytest.approx((100 + 40) - (35 + 98))
    assert answer.u == pytest.approx(2.0)


def test_book_less_physical_is_positive_for_an_apparent_loss():
    """MUF = (PB + X - Y) - PE: Nuclear Safeguards Education Portal, "Material Unaccounted For".

    The UK regulator (HSE) writes physical less book, the opposite sign.
    """
    book = 100.0 + 40.0 - 35.0
    physical = 98.0
    assert inventory_difference(*terms(100.0, 40.0, 35.0, 98.0)).difference == book - physical > 0


def test_the_cumulative_difference_is_the_sum_of_the_differences():
    first = inventory_difference(*terms(100.0, 40.0, 35.0, 98.0))
    second = inventory_difference(*terms(98.0, 20.0, 30.0, 86.0))
    whole = inventory_difference(*terms(100.0, 60.0, 65.0, 86.0))
    assert first.difference + second.difference == pytest.approx(whole.difference)


def test_the_customary_criteria_are_wider_than_or_equal_to_ours():
    """Two sd: J. L. Jaech, Control Charts for MUF's, INMM J. 2(4); three sd: NSSEP as above."""
    assert LIMIT_95 < 2 < 3
    assert verdict(2.0, 1.0) is Verdict.SIGNIFICANT_95
    assert verdict(3.0, 1.0) is Verdict.SIGNIFICANT_99
