"""Electrochemical equivalents by the CODATA Faraday constant and CIAAW 2021 atomic weights."""

import pytest

from cells.electrochemistry.electrolysis import (
    SILVER_G_PER_AH,
    SILVER_G_PER_G_DISSOLVED,
    AnodeComposition,
    anode_consumed_g_per_ah,
)


def test_silver_plates_4_02471_g_per_ampere_hour():
    assert pytest.approx(107.8682 * 3600 / 96485.33212, rel=1e-9) == SILVER_G_PER_AH
    assert pytest.approx(4.02471, abs=5e-6) == SILVER_G_PER_AH


@pytest.mark.parametrize(
    ("anode", "g_per_ah"),
    [
        (AnodeComposition(silver=1.0), 4.02471),
        (AnodeComposition(silver=0.0, copper=1.0), 1.18549),
        (AnodeComposition(silver=0.0, palladium=1.0, palladium_dissolving=1.0), 1.98534),
    ],
)
def test_pure_anode_dissolves_at_its_electrochemical_equivalent(anode, g_per_ah):
    assert anode_consumed_g_per_ah(anode) == pytest.approx(g_per_ah, abs=5e-6)


def test_a_gram_of_copper_takes_3_395_g_of_silver():
    assert SILVER_G_PER_G_DISSOLVED["Cu"] == pytest.approx(2 * 107.8682 / 63.546)
    assert SILVER_G_PER_G_DISSOLVED["Cu"] == pytest.approx(3.395, abs=5e-4)
