"""NIST Handbook 44, Appendix C, General Tables of Units of Measurement: troy and avoirdupois mass.

The relations in grains are as printed there (2012 and later editions; section 2, "Avoirdupois
Units of Mass" and "Troy Units of Mass"). The gram values are checked against scipy.constants, a
reference library; the tolerance is its double precision.
"""

from decimal import Decimal

import pytest
from scipy import constants

from lots.units import UG_PER_UNIT, mass_to_ug, ug_to

GRAINS = {
    "dwt": 24,
    "ozt": 480,
    "lbt": 5760,
    "ozav": Decimal("437.5"),
    "lb": 7000,
}
SCIPY_KG = {
    "gr": constants.grain,
    "ozt": constants.troy_ounce,
    "lbt": constants.troy_pound,
    "ozav": constants.ounce,
    "lb": constants.pound,
    "g": constants.gram,
}


@pytest.mark.parametrize(("unit", "grains"), GRAINS.items())
def test_units_are_whole_multiples_of_the_grain(unit, grains):
    assert UG_PER_UNIT[unit] == grains * UG_PER_UNIT["gr"]


def test_grain_is_the_same_in_troy_and_avoirdupois():
    assert 20 * UG_PER_UNIT["dwt"] == UG_PER_UNIT["ozt"]
    assert 12 * UG_PER_UNIT["ozt"] == UG_PER_UNIT["lbt"] == 240 * UG_PER_UNIT["dwt"]
    assert 16 * UG_PER_UNIT["ozav"] == UG_PER_UNIT["lb"]


@pytest.mark.parametrize(("unit", "kilograms"), SCIPY_KG.items())
def test_units_agree_with_a_reference_library(unit, kilograms):
    assert float(UG_PER_UNIT[unit]) == pytest.approx(kilograms * 1e9, rel=1e-14)


@pytest.mark.parametrize(
    ("value", "unit", "into", "printed"),
    [
        # Exact quotients of the definitions, to nine decimals.
        ("1", "kg", "ozt", "32.150746569"),
        ("1", "ozt", "g", "31.103476800"),
        ("1", "lb", "ozt", "14.583333333"),
        ("1", "ozt", "ozav", "1.097142857"),
    ],
)
def test_conversions_to_nine_decimals(value, unit, into, printed):
    # The book's microgram is 3.2E-8 ozt, so six decimals are the book's own.
    assert ug_to(mass_to_ug(value, unit), into, 6) == round(Decimal(printed), 6)
    exact = Decimal(value) * UG_PER_UNIT[unit] / UG_PER_UNIT[into]
    assert round(exact, 9) == Decimal(printed)
