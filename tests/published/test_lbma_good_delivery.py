"""LBMA Good Delivery Rules: weight lists (Annex C), weighing (Annex B), limits of bars.

Annexes as published on lbma.org.uk (2023). Limits as summarised by triland.com and, with the silver
step of 0.10 ounce, by eurobrand.biz (secondary). Small bars: the LBMA table of agreed fine gold
content as reproduced in Gold Conversion Tables (goldbarsworldwide.com; secondary).
"""

from decimal import Decimal

import pytest

from lots.bars import (
    GOLD_FINE_RULE,
    SMALL_GOLD_BARS,
    fine_weight,
    gross_weight,
    small_bar_fine_weight,
)
from lots.good_delivery import check_good_delivery
from lots.units import UG_PER_OZT, mass_to_ug

ASSAYS = [Decimal("995.0"), Decimal("999.0"), Decimal("999.9")]
# As printed: bar, its gross weight, fine ounces at 995.0, 999.0 and 999.9.
PUBLISHED = """
1 kg     | 1000 g    | 31.990 32.119 32.148
500 g    | 500 g     | 15.995 16.059 16.074
250 g    | 250 g     | 7.998 8.030 8.037
200 g    | 200 g     | 6.398 6.424 6.430
100 g    | 100 g     | 3.199 3.212 3.215
50 g     | 50 g      | 1.600 1.607 1.608
20 g     | 20 g      | 0.640 0.643 0.643
10 g     | 10 g      | 0.321 0.322 0.322
5 g      | 5 g       | 0.161 0.161 0.161
100 ozt  | 100 ozt   | 99.500 99.900 99.990
50 ozt   | 50 ozt    | 49.750 49.950 49.995
25 ozt   | 25 ozt    | 24.875 24.975 24.998
10 ozt   | 10 ozt    | 9.950 9.990 9.999
5 ozt    | 5 ozt     | 4.975 4.995 5.000
1 ozt    | 1 ozt     | 0.995 0.999 1.000
10 tola  | 3.75 ozt  | 3.731 3.746 3.750
5 tael   | 6.01685 ozt | 5.987 6.011 6.017
"""
# Where the agreed figure is not the exact product rounded half up.
NOT_BY_FORMULA = {
    ("250 g", "995.0"),
    ("50 g", "995.0"),
    ("50 g", "999.0"),
    ("50 g", "999.9"),
    ("20 g", "999.0"),
    ("10 g", "995.0"),
    ("10 g", "999.0"),
    ("10 g", "999.9"),
    ("5 g", "995.0"),
    ("5 tael", "999.9"),
}


def published_rows():
    for line in PUBLISHED.strip().splitlines():
        bar, gross, fine = (part.strip() for part in line.split("|"))
        value, unit = gross.split()
        per_ozt = UG_PER_OZT / (1_000_000 if unit == "g" else UG_PER_OZT)
        for assay, ounces in zip(ASSAYS, fine.split(), strict=True):
            yield bar, Decimal(value) / per_ozt, assay, Decimal(ounces)


def test_sample_gold_weight_list():
    gross = gross_weight("Au", mass_to_ug("401.125", "ozt")).gross_ozt
    assert gross == Decimal("401.125")
    assert fine_weight("Au", gross, Decimal("995.8")).fine_ozt == Decimal("399.440")
    assert check_good_delivery("Au", gross, Decimal("995.8")).findings == ()


def test_sample_silver_weight_list():
    gross = gross_weight("Ag", mass_to_ug("1164.9", "ozt")).gross_ozt
    assert gross == Decimal("1164.9")
    found = check_good_delivery("Ag", gross, Decimal("999.0"))
    assert found.is_within
    assert [finding.code for finding in found.findings] == ["gross_weight_above"]
    assert found.findings[0].severity == "advice"


def test_conversion_factor_of_the_weight_list():
    assert Decimal("0.0311034768") * 1_000_000_000 == UG_PER_OZT


@pytest.mark.parametrize(
    ("metal", "exact_ozt", "listed_ozt"),
    [("Au", "401.1499", "401.125"), ("Au", "401.15", "401.150"), ("Ag", "1164.99", "1164.9")],
)
def test_gross_weight_is_rounded_down(metal, exact_ozt, listed_ozt):
    assert gross_weight(metal, mass_to_ug(exact_ozt, "ozt")).gross_ozt == Decimal(listed_ozt)


def test_beam_must_turn_by_two_divisions():
    just_enough = mass_to_ug("401.127", "ozt")
    assert gross_weight("Au", just_enough, turn_of_scale=True).gross_ozt == Decimal("401.125")
    # A twentieth of a division less, and the bar drops a step.
    assert gross_weight("Au", just_enough - 1600, turn_of_scale=True).gross_ozt == Decimal("401.1")


@pytest.mark.parametrize(("bar", "gross_ozt", "assay", "fine_ozt"), list(published_rows()))
def test_small_bars_follow_the_agreed_table(bar, gross_ozt, assay, fine_ozt):
    found = small_bar_fine_weight(bar, assay)
    assert found.fine_ozt == fine_ozt
    assert found.basis == "agreed table"


@pytest.mark.parametrize(("bar", "gross_ozt", "assay", "fine_ozt"), list(published_rows()))
def test_formula_gives_the_table_except_where_it_is_known_not_to(bar, gross_ozt, assay, fine_ozt):
    by_formula = GOLD_FINE_RULE.apply(gross_ozt * assay / 1000)
    assert (by_formula == fine_ozt) is ((bar, str(assay)) not in NOT_BY_FORMULA)


def test_table_holds_nothing_that_was_not_published():
    published = {bar for bar, *_ in published_rows()}
    assert set(SMALL_GOLD_BARS.fine_ozt) == published
    assert SMALL_GOLD_BARS.assays_ppt == tuple(ASSAYS)


@pytest.mark.parametrize(
    ("metal", "gross", "assay", "codes", "is_within"),
    [
        ("Au", "351.775", "995.0", [], True),
        ("Au", "351.750", "995.0", ["fine_weight_below"], False),
        ("Au", "430.025", "999.9", [], True),
        ("Au", "430.050", "999.9", ["fine_weight_above"], False),
        ("Au", "400.000", "994.9", ["assay_below"], False),
        ("Au", "400.010", "995.0", ["gross_not_in_steps"], False),
        ("Ag", "750.0", "999.0", [], True),
        ("Ag", "749.9", "999.0", ["gross_weight_below"], True),
        ("Ag", "500.0", "999.0", ["gross_weight_below"], True),
        ("Ag", "499.9", "999.0", ["gross_weight_below"], False),
        ("Ag", "1100.0", "999.0", [], True),
        ("Ag", "1250.0", "999.0", ["gross_weight_above"], True),
        ("Ag", "1250.1", "999.0", ["gross_weight_above"], False),
        ("Ag", "1000.05", "998.9", ["gross_not_in_steps", "assay_below"], False),
    ],
)
def test_limits_of_bars(metal, gross, assay, codes, is_within):
    found = check_good_delivery(metal, Decimal(gross), Decimal(assay))
    assert [finding.code for finding in found.findings] == codes
    assert found.is_within is is_within
