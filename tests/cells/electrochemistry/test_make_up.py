"""Make-up, re-use and bleed: worked by hand from molar masses."""

import pytest

from cells.electrochemistry.estimated import Estimate
from cells.electrochemistry.make_up import (
    Solution,
    Target,
    plan_bleed,
    plan_make_up,
    steady_bleed,
    uses_left,
)
from cells.electrochemistry.nitric_acid import molarity_mol_per_l
from config.refusals import InvalidError

# Molar masses: CIAAW/IUPAC 2021.
AG, CU, AGNO3 = 107.8682, 63.546, 169.8722
FRESH = Solution()
TARGET = Target(volume_l=3.5, silver_g_per_l=600 / 3.5, acid_mol_per_l=0.1)


def _make_up(now=FRESH, target=TARGET, share=0.5):
    return plan_make_up(now, target, acid_percent=68, concentrated_share=share)


def test_fresh_electrolyte_of_600_g_in_3500_ml():
    plan = _make_up()
    per_l = molarity_mol_per_l(68)
    moles = 600 / AG
    for route, acid_per_silver in (
        (plan.dilute, 4 / 3),
        (plan.chosen, 5 / 3),
        (plan.concentrated, 2.0),
    ):
        assert route.silver_g == pytest.approx(600)
        assert route.acid_ml == pytest.approx(1000 * (moles * acid_per_silver + 0.35) / per_l)
        assert route.acid_ml + route.water_ml == pytest.approx(3500)
        assert route.fits
    assert plan.dilute.nitrogen_monoxide_mol == pytest.approx(moles / 3)
    assert plan.concentrated.nitrogen_dioxide_mol == pytest.approx(moles)


def test_silver_nitrate_needs_acid_only_for_what_stays_free():
    nitrate = _make_up().nitrate
    assert nitrate.nitrate_g == pytest.approx(600 * AGNO3 / AG)
    assert nitrate.silver_g == 0
    assert nitrate.acid_ml == pytest.approx(350 / molarity_mol_per_l(68))
    assert nitrate.nitrogen_dioxide_mol == nitrate.nitrogen_monoxide_mol == 0


def test_used_electrolyte_needs_only_what_is_missing():
    plan = _make_up(Solution(volume_l=3.0, silver_g=450, copper_g=70, acid_mol=0.35), share=1.0)
    assert plan.chosen.silver_g == pytest.approx(150)
    assert plan.chosen.acid_ml == pytest.approx(1000 * 2 * 150 / AG / molarity_mol_per_l(68))
    assert plan.chosen.water_ml == pytest.approx(500 - plan.chosen.acid_ml)
    assert plan.copper_g_per_l == pytest.approx(20)


def test_electrolyte_at_its_target_needs_nothing():
    now = Solution(volume_l=3.5, silver_g=600, acid_mol=0.35)
    chosen = _make_up(now).chosen
    assert (chosen.silver_g, chosen.acid_ml, chosen.water_ml) == pytest.approx((0, 0, 0))


@pytest.mark.parametrize(
    ("now", "field", "litres"),
    [
        # 700 g in 3.5 L: a seventh, half a litre, has to go to leave 600 g.
        (Solution(3.5, 700, 0, 0.1), "silver_g", "0.500"),
        (Solution(3.5, 100, 0, 0.7), "acid_mol", "1.750"),
        (Solution(4.0, 100, 0, 0.1), "volume_l", "0.500"),
    ],
)
def test_target_below_what_is_held_is_refused_and_says_bleed(now, field, litres):
    with pytest.raises(InvalidError) as refusal:
        _make_up(now)
    assert (refusal.value.code, refusal.value.field) == ("needs_removal", field)
    assert f"Bleed at least {litres} L" in refusal.value.remedy


def test_acid_without_room_is_refused():
    with pytest.raises(InvalidError) as refusal:
        _make_up(Solution(volume_l=3.45, silver_g=200))
    assert (refusal.value.code, refusal.value.field) == ("no_room", "target.volume_l")


@pytest.mark.parametrize(
    ("percent", "share", "code", "field"),
    [
        (0, 0.5, "too_small", "acid_percent"),
        (90, 0.5, "too_large", "acid_percent"),
        (68, 1.5, "too_large", "concentrated_share"),
    ],
)
def test_acid_outside_the_table_is_refused(percent, share, code, field):
    with pytest.raises(InvalidError) as refusal:
        plan_make_up(FRESH, TARGET, acid_percent=percent, concentrated_share=share)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_solution_without_volume_holds_nothing():
    with pytest.raises(InvalidError) as refusal:
        Solution(volume_l=0, silver_g=1)
    assert (refusal.value.code, refusal.value.field) == ("too_small", "volume_l")


def test_uses_until_the_copper_limit():
    # Common practice, no source: copper below about 60 g/L does not plate with the silver.
    # 12 L at 60 g/L hold 720 g; 300 g are there; 100 g a use: four uses, 700 g then.
    left = uses_left(
        Solution(12, 800, 300), copper_per_use_g=Estimate(100, 10), copper_limit_g_per_l=60
    )
    assert left.uses == 4
    assert left.copper_g_per_l_then == pytest.approx(700 / 12)
    # 420 g of room over 119.6 g and over 80.4 g.
    assert (left.uses_low, left.uses_high) == (3, 5)


def test_use_that_reaches_the_limit_exactly_counts():
    left = uses_left(Solution(1, 0, 0), copper_per_use_g=Estimate(20), copper_limit_g_per_l=60)
    assert (left.uses, left.copper_g_per_l_then) == (3, pytest.approx(60))


def test_uses_have_no_end_without_copper_and_none_past_the_limit():
    pure = uses_left(Solution(1), copper_per_use_g=Estimate(0), copper_limit_g_per_l=60)
    assert (pure.uses, pure.copper_g_per_l_then) == (None, None)
    past = uses_left(Solution(1, 0, 70), copper_per_use_g=Estimate(5), copper_limit_g_per_l=60)
    assert past.uses == 0


def test_steady_bleed_holds_the_level():
    now = Solution(volume_l=12, silver_g=960, copper_g=600, acid_mol=1.2)
    bleed = steady_bleed(now, copper_per_use_g=90, hold_g_per_l=45)
    assert bleed.volume_l == pytest.approx(2.0)
    assert bleed.silver_g == pytest.approx(160)
    copper = 0.0
    for _ in range(200):
        copper += 90
        peak = copper / 12
        copper -= peak * bleed.volume_l
    assert peak == pytest.approx(45)


def test_bleed_that_would_take_everything_is_refused():
    with pytest.raises(InvalidError) as refusal:
        steady_bleed(Solution(1, 100, 10), copper_per_use_g=90, hold_g_per_l=45)
    assert (refusal.value.code, refusal.value.field) == ("cannot_hold", "hold_g_per_l")


def test_cementation_of_a_bleed():
    bleed = plan_bleed(Solution(10, 500, 400, 1.0), volume_l=2, cement_recovery=0.98)
    assert (bleed.silver_g, bleed.copper_g, bleed.acid_mol) == pytest.approx((100, 80, 0.2))
    # Cu + 2 Ag+ -> Cu2+ + 2 Ag: 63.546 g of copper for 215.7364 g of silver.
    assert bleed.copper_for_silver_g == pytest.approx(100 * CU / (2 * AG))
    # 3 Cu + 8 HNO3: three eighths of a mole of copper for each of acid.
    assert bleed.copper_for_acid_g == pytest.approx(0.2 * 3 / 8 * CU)
    assert bleed.silver_back_g == pytest.approx(98)


@pytest.mark.parametrize(
    ("volume_l", "recovery", "code", "field"),
    [
        (11, 0.99, "too_large", "volume_l"),
        (-1, 0.99, "too_small", "volume_l"),
        (1, 1.1, "too_large", "cement_recovery"),
    ],
)
def test_impossible_bleeds_are_refused(volume_l, recovery, code, field):
    with pytest.raises(InvalidError) as refusal:
        plan_bleed(Solution(10, 500, 400), volume_l=volume_l, cement_recovery=recovery)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_no_bleed_from_nothing_takes_nothing():
    assert plan_bleed(FRESH, volume_l=0).silver_g == 0
