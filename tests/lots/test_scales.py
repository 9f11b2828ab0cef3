"""What a scale's last digit says of it."""

from __future__ import annotations

from lots.scales import rounding_ug, usual_capacity_ug


def test_a_last_digit_of_a_tenth_of_a_gram_is_read_to_29_mg_at_best():
    """JCGM 100:2008, F.2.2.1: u = 0.29 δx, as the documentation of clanTools (R) quotes it."""
    assert rounding_ug(100_000) == 28_868
    assert abs(rounding_ug(100_000) - 0.29 * 100_000) < 0.005 * 100_000


def test_the_finest_scale_is_never_sure():
    assert rounding_ug(1) == 1


def test_a_scale_of_a_tenth_of_a_gram_usually_takes_3_kg():
    assert usual_capacity_ug(100_000) == 3_000_000_000
