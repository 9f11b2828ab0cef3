"""What a drop of hydrochloric acid shows in a rinse."""

import pytest

from cells.electrochemistry.silver_chloride import SURE_CLOUD_MOL_PER_L, rinse_sensitivity
from config.refusals import InvalidError


def test_a_drop_of_concentrated_acid_in_ten_millilitres():
    shown = rinse_sensitivity(10.0)
    assert shown.chloride_mol_per_l == pytest.approx(0.0577, abs=1e-4)
    # 1.8e-10 / 0.0577 = 3.1e-9 mol/L, a third of a microgram per litre.
    assert shown.onset_mg_per_l == pytest.approx(3.38e-4, rel=0.01)
    assert shown.sure_mg_per_l == pytest.approx(9.0, abs=0.1)


def test_weaker_acid_needs_more_silver_before_a_cloud_begins():
    weak = rinse_sensitivity(10.0, hcl_mol_per_l=0.1)
    assert weak.onset_mg_per_l == pytest.approx(116 * rinse_sensitivity(10.0).onset_mg_per_l)


def test_the_drop_thins_the_rinse_it_shows():
    thin = rinse_sensitivity(1.0, drop_ml=1.0)
    assert thin.sure_mg_per_l == pytest.approx(2 * SURE_CLOUD_MOL_PER_L * 107868.2, rel=1e-4)


@pytest.mark.parametrize("field", ["sample_ml", "drop_ml", "hcl_mol_per_l"])
def test_test_without_rinse_drop_or_acid_is_refused(field):
    arguments = {"sample_ml": 10.0, field: 0.0}
    with pytest.raises(InvalidError) as refusal:
        rinse_sensitivity(**arguments)
    assert (refusal.value.code, refusal.value.field) == ("too_small", field)
