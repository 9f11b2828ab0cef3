"""Volumes become whole microlitres at the edge, or are refused."""

from __future__ import annotations

from decimal import Decimal

import pytest

from config.refusals import InvalidError
from lots.volumes import volume_to_ul


@pytest.mark.parametrize(
    ("value", "unit", "volume_ul"),
    [("11.5", "L", 11_500_000), (850, "ml", 850_000), ("1", " uL ", 1)],
)
def test_units_of_the_bench_are_read(value, unit, volume_ul):
    assert volume_to_ul(value, unit) == volume_ul


@pytest.mark.parametrize(
    ("value", "unit", "code"),
    [
        ("1", "gal", "unknown_unit"),
        ("a cup", "l", "not_a_number"),
        ("0", "l", "not_positive"),
        (Decimal(-1), "ml", "not_positive"),
        ("0.4", "ul", "too_small"),
        ("1000000000000", "l", "too_large"),
    ],
)
def test_a_volume_that_can_not_be_is_refused(value, unit, code):
    with pytest.raises(InvalidError) as caught:
        volume_to_ul(value, unit, field="bath")
    assert (caught.value.code, caught.value.field) == (code, "bath")
