"""What is asked of a run's figures, and what is not."""

from __future__ import annotations

from decimal import Decimal

from cells import likelihood as rules

LIMITS = {"limit_a": Decimal(9), "fuse_a": Decimal(12)}


def test_a_current_is_held_against_limit_fuse_and_neighbour():
    first = rules.current_range(**LIMITS, last_a=None)
    assert first.contains(Decimal(8))
    assert not first.contains(Decimal(580))
    assert not first.contains(Decimal("0.8"))
    later = rules.current_range(**LIMITS, last_a=Decimal(8), hours=Decimal(8))
    assert later.contains(Decimal("6.2"))
    assert not later.contains(Decimal("2.6"))
    assert later.high is not None
    assert later.high <= 12


def test_a_longer_wait_leaves_more_room():
    soon = rules.current_range(**LIMITS, last_a=Decimal(8), hours=Decimal(1))
    late = rules.current_range(**LIMITS, last_a=Decimal(8), hours=Decimal(20))
    assert soon.low is not None
    assert late.low is not None
    assert late.low < soon.low


def test_power_that_is_off_may_read_nothing():
    assert rules.current_range(**LIMITS, last_a=Decimal(8), is_off=True).contains(Decimal(0))


def test_crystal_is_no_more_than_charge_and_bath_hold():
    limits = rules.crystal_range_g(Decimal(1600), Decimal(10), Decimal(1650))
    assert limits.contains(Decimal(1560))
    assert not limits.contains(Decimal(160))
    assert not limits.contains(Decimal(1700))


def test_a_remnant_is_near_what_has_not_dissolved():
    limits = rules.remnant_range_g(Decimal(120), Decimal(20), Decimal(1500))
    assert limits.contains(Decimal(80))
    assert not limits.contains(Decimal(800))
    everything = rules.remnant_range_g(Decimal(1490), Decimal(20), Decimal(1500))
    assert everything.high == 1500


def test_no_bath_holds_more_than_dissolves():
    # 1220 g of AgNO3 a litre, 107.868 parts silver in 169.873 (CIAAW abridged atomic weights, from
    # memory); the solubility's source stands beside the constant.
    silver = Decimal(1220) * Decimal("107.868") / Decimal("169.873")
    assert abs(rules.SOLUBLE_G_PER_L["Ag"] - silver) < 1
    for metal, (_, most) in rules.WORKED_G_PER_L.items():
        assert most < rules.SOLUBLE_G_PER_L[metal]
    limits = rules.solution_range("Ag", Decimal(60), Decimal("0.3"))
    assert limits.contains(Decimal(50))
    assert not limits.contains(Decimal(6))
    assert not limits.contains(Decimal(600))


def test_a_volume_is_near_the_book_and_what_the_cell_takes():
    limits = rules.volume_range_ml(Decimal(11_800), Decimal(12_000))
    assert limits.contains(Decimal(11_500))
    assert not limits.contains(Decimal(1_150))
    assert rules.volume_range_ml(None, None).contains(Decimal(1))


def test_voltage_acid_and_warmth_are_near_the_last():
    assert rules.voltage_range(Decimal("2.5")).contains(Decimal("2.6"))
    assert not rules.voltage_range(Decimal("2.5")).contains(Decimal("25"))
    assert not rules.voltage_range(None).contains(Decimal("250"))
    assert not rules.acid_range(Decimal(8)).contains(Decimal(80))
    assert rules.acid_range(None).contains(Decimal(0))
    assert not rules.temperature_range(Decimal(31)).contains(Decimal(13))
    assert not rules.temperature_range(None).contains(Decimal(99))
