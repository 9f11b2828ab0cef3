"""D. C. Harris, Quantitative Chemical Analysis, Appendix F: the solubility product of AgCl."""

import math

import pytest

from cells.electrochemistry.silver_chloride import SILVER_CHLORIDE_KSP, rinse_sensitivity


def test_solubility_product_is_that_of_the_table():
    assert SILVER_CHLORIDE_KSP == 1.8e-10
    assert -math.log10(SILVER_CHLORIDE_KSP) == pytest.approx(9.74, abs=0.005)


def test_at_equal_chloride_the_cloud_begins_at_the_solubility():
    # With chloride at the square root of the product, silver begins to cloud at that root too.
    root = math.sqrt(1.8e-10)
    shown = rinse_sensitivity(1e6, drop_ml=1.0, hcl_mol_per_l=root * 1e6)
    assert shown.onset_mg_per_l == pytest.approx(root * 107868.2, rel=1e-4)
