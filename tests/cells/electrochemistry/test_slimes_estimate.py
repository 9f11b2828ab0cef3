"""The slimes estimate: hand-worked masses and uncertainties, and shrinkage of recovery factors."""

import math

import pytest

from cells.electrochemistry.slimes_estimate import (
    RETENTION,
    ChargePart,
    FactorPrior,
    PastRecovery,
    Share,
    estimate_slimes,
    recovery_factors,
)
from config.refusals import InvalidError

# Invented: 1,500 g of silver with 2 g gold and 4 g palladium, nine tenths of it dissolved.
PART = ChargePart(
    content_ug={"Ag": 1_500_000_000, "Au": 2_000_000, "Pd": 4_000_000, "Cu": 90_000_000},
    u_content_ug={"Ag": 1_500_000.0, "Au": 40_000.0, "Pd": 80_000.0, "Cu": 900_000.0},
    dissolved=Share(0.9, 0.01),
    other_ug=1_000_000,
    u_other_ug=100_000.0,
)
EXACT = {name: Share(share.value, 0.0) for name, share in RETENTION.items()}


def _past(group, *pairs, metal="Au", u=0.0):
    return [PastRecovery(metal, group, expected, u, found, u) for expected, found in pairs]


def test_gold_of_the_dissolved_part_is_expected_whole():
    gold = estimate_slimes([PART]).metals["Au"]
    assert gold.mass_ug == pytest.approx(1_800_000)
    # 0.9 x 0.04 g, 2 g x 0.01 and 1.8 g x 0.005, added in quadrature.
    assert gold.u_mass_ug == pytest.approx(math.hypot(36_000, 20_000, 9_000))
    assert gold.low_ug == pytest.approx(1_800_000 - 1.959964 * gold.u_mass_ug, abs=1)
    assert gold.high_ug == pytest.approx(1_800_000 + 1.959964 * gold.u_mass_ug, abs=1)


def test_palladium_partly_stays_and_is_the_least_sure():
    metals = estimate_slimes([PART]).metals
    assert metals["Pd"].mass_ug == pytest.approx(1_800_000)
    assert metals["Pd"].u_mass_ug / metals["Pd"].mass_ug > 0.4
    assert metals["Ag"].mass_ug == pytest.approx(0.9 * 0.02 * 1_500_000_000)


def test_two_charges_in_one_bag_add():
    one, two = estimate_slimes([PART]), estimate_slimes([PART, PART])
    assert two.metals["Au"].mass_ug == pytest.approx(2 * one.metals["Au"].mass_ug)
    # Retention is common to both charges, contents and dissolved shares are not.
    assert two.metals["Au"].u_mass_ug == pytest.approx(
        math.sqrt(2 * (36_000**2 + 20_000**2) + 18_000**2)
    )


def test_dry_mass_is_the_sum_and_shares_the_dissolved_fraction():
    part = ChargePart({"Au": 1_000_000, "Pt": 1_000_000}, {}, Share(0.5, 0.1))
    estimate = estimate_slimes([part], retention=EXACT)
    assert estimate.dry_mass.mass_ug == pytest.approx(1_000_000)
    # Fully correlated: 0.1 g + 0.1 g, not 0.1 g times the root of two.
    assert estimate.dry_mass.u_mass_ug == pytest.approx(200_000)


def test_low_end_stops_at_zero():
    part = ChargePart({"Pd": 1_000_000}, {"Pd": 900_000.0}, Share(1.0, 0.0))
    assert estimate_slimes([part]).metals["Pd"].low_ug == 0


def test_factor_without_past_is_the_prior():
    factor = recovery_factors([], group="North")["Au"]
    assert (factor.factor, factor.house_factor, factor.towards_house) == (1.0, 1.0, 1.0)
    assert factor.bags == 0
    assert factor.u_factor == pytest.approx(math.hypot(0.10, 0.05))
    assert factor.u_next == pytest.approx(math.hypot(0.10, 0.05, 0.10))


def test_factor_of_one_bag_worked_by_hand():
    # One exact ratio of 0.8; s2 = 0.01, t2 = 0.0025 and u0^2 = 0.01 stay as the prior has them.
    # mu = (1/0.01 + 0.8/0.0125) / (1/0.01 + 1/0.0125) = 164/180 = 0.911111;
    # B = 0.01/0.0125 = 0.8; factor = 0.8 x 0.911111 + 0.2 x 0.8 = 0.888889.
    factor = recovery_factors(_past("North", (1e6, 0.8e6)), group="North")["Au"]
    assert factor.house_factor == pytest.approx(164 / 180)
    assert factor.towards_house == pytest.approx(0.8)
    assert factor.factor == pytest.approx(0.8 * 164 / 180 + 0.16)
    assert factor.u_factor == pytest.approx(math.sqrt(0.2 * 0.01 + 0.64 / 180))


def test_many_bags_outweigh_the_house_and_few_do_not():
    house = _past("South", *[(1e6, 1.0e6)] * 20)
    few = recovery_factors([*house, *_past("North", (1e6, 0.7e6))], group="North")["Au"]
    many = recovery_factors([*house, *_past("North", *[(1e6, 0.7e6)] * 40)], group="North")["Au"]
    assert 0.7 < many.factor < few.factor < few.house_factor
    assert many.towards_house < few.towards_house / 5
    assert few.bags == 1
    assert many.bags == 40
    assert many.u_factor < few.u_factor


def test_scatter_between_bags_widens_the_next_one():
    steady = recovery_factors(_past("North", *[(1e6, 0.9e6)] * 8), group="North")["Au"]
    wild = recovery_factors(_past("North", *[(1e6, 0.5e6), (1e6, 1.3e6)] * 4), group="North")["Au"]
    assert wild.u_next > 2 * steady.u_next


def test_poorly_measured_bags_count_less():
    sure = recovery_factors(_past("North", (1e6, 0.8e6)), group="North")["Au"]
    unsure = recovery_factors(_past("North", (1e6, 0.8e6), u=0.3e6), group="North")["Au"]
    assert sure.factor < unsure.factor < 1


def test_factor_scales_the_estimate_and_widens_it():
    factors = recovery_factors(_past("North", *[(1e6, 0.9e6)] * 5), group="North")
    plain, scaled = estimate_slimes([PART]), estimate_slimes([PART], factors=factors)
    assert scaled.metals["Au"].mass_ug == pytest.approx(
        plain.metals["Au"].mass_ug * factors["Au"].factor
    )
    assert scaled.metals["Au"].u_mass_ug > plain.metals["Au"].u_mass_ug


def test_bag_expected_to_hold_nothing_says_nothing():
    assert recovery_factors(_past("North", (0, 5)), group="North")["Au"].bags == 0


def test_prior_is_the_works_own_choice():
    prior = FactorPrior(factor=0.95, u_factor=0.01)
    assert recovery_factors([], group="North", prior=prior)["Pt"].factor == 0.95


@pytest.mark.parametrize(
    ("parts", "code", "field"),
    [
        ([], "nothing_given", "parts"),
        ([ChargePart({"Zn": 1}, {}, Share(1, 0))], "unknown_metal", "content_ug"),
        ([ChargePart({"Ag": -1}, {}, Share(1, 0))], "too_small", "content_ug"),
        ([ChargePart({"Ag": 1}, {"Ag": -1.0}, Share(1, 0))], "too_small", "u_content_ug"),
        ([ChargePart({"Ag": 1}, {}, Share(1, 0), other_ug=-1)], "too_small", "other_ug"),
    ],
)
def test_estimate_refuses(parts, code, field):
    with pytest.raises(InvalidError) as refusal:
        estimate_slimes(parts)
    assert (refusal.value.code, refusal.value.field) == (code, field)


@pytest.mark.parametrize(
    ("value", "u", "code", "field"),
    [
        (1.1, 0.0, "too_large", "share"),
        (float("nan"), 0.0, "not_a_number", "share"),
        (0.5, -0.1, "too_small", "share.u"),
    ],
)
def test_share_refuses(value, u, code, field):
    with pytest.raises(InvalidError) as refusal:
        Share(value, u)
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_estimate_refuses_a_missing_share():
    with pytest.raises(InvalidError) as refusal:
        estimate_slimes([PART], retention={"Ag": Share(0.02, 0.01)})
    assert (refusal.value.code, refusal.value.field) == ("missing_share", "retention")


@pytest.mark.parametrize(
    ("past", "code", "field"),
    [
        (_past("North", (1e6, 1e6), metal="Zn"), "unknown_metal", "past.metal"),
        (_past("North", (1e6, -1e6)), "too_small", "past.recovered_ug"),
    ],
)
def test_factors_refuse(past, code, field):
    with pytest.raises(InvalidError) as refusal:
        recovery_factors(past, group="North")
    assert (refusal.value.code, refusal.value.field) == (code, field)
