"""ASTM B413-97a (reapproved 2003, 2008, 2017, 2021), Standard Specification for Refined Silver.

Section 1.1: the three grades, their UNS numbers and minimum fineness; and the elements controlled.
The limits of its Table 1 were not seen in any published copy and are no oracle here.
"""

from decimal import Decimal

import pytest

from lots.grades import ANALYSED, ASTM_B413, silver_grade

PUBLISHED = [
    ("99.99", "P07010", "999.9"),
    ("99.95", "P07015", "999.5"),
    ("99.90", "P07020", "999.0"),
]


def test_grades_numbers_and_minimum_fineness():
    assert [(g.name, g.uns, str(g.fineness_min_ppt)) for g in ASTM_B413] == PUBLISHED


@pytest.mark.parametrize(("name", "uns", "minimum"), PUBLISHED)
def test_grade_begins_at_its_minimum_fineness(name, uns, minimum):
    at_minimum = silver_grade(Decimal(minimum))
    below = silver_grade(Decimal(minimum) - Decimal("0.0001"))
    assert at_minimum is not None
    assert (at_minimum.name, at_minimum.uns) == (name, uns)
    assert below is None or below.name < name


def test_elements_controlled():
    controlled = {"Ag", "Cu", "Bi", "Fe", "Pb", "Pd", "Se", "Te"}
    assert set(ANALYSED) == controlled
    assert all(set(grade.maxima_ppt) <= controlled for grade in ASTM_B413)
