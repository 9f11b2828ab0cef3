"""How much HNO3 a millilitre of nitric acid holds: density and molarity from strength by weight."""

from __future__ import annotations

from typing import Final

import numpy as np

from cells.electrochemistry.checked_numbers import checked
from lots.elements import molar_mass

HNO3_G_PER_MOL: Final = float(molar_mass({"H": 1, "N": 1, "O": 3}))

# Per cent HNO3 by weight and density at 20 °C in g/mL, as tabulated in R. H. Perry and D. W. Green,
# Chemical Engineers' Handbook, 6th ed. The rows at 1, 5, 10, 13, 52 and 68 % were compared with
# reprints of that table, 20 % with a textbook problem; the others are from memory and held
# against neighbours and the 25 °C densities of other sources by tests.
DENSITY_AT_20_C: Final = (
    (0.0, 0.9982),
    (1.0, 1.0036),
    (5.0, 1.0256),
    (10.0, 1.0543),
    (13.0, 1.0721),
    (20.0, 1.1150),
    (25.0, 1.1469),
    (30.0, 1.1800),
    (35.0, 1.2140),
    (40.0, 1.2463),
    (45.0, 1.2783),
    (50.0, 1.3100),
    (52.0, 1.3219),
    (55.0, 1.3393),
    (60.0, 1.3667),
    (65.0, 1.3913),
    (68.0, 1.4048),
    (70.0, 1.4134),
)
STRENGTH_MAX_PERCENT: Final = 70.0
_PERCENTS: Final = np.array([percent for percent, _ in DENSITY_AT_20_C])
_DENSITIES: Final = np.array([density for _, density in DENSITY_AT_20_C])


def density_g_per_ml(percent: float) -> float:
    """Density of nitric acid of `percent` % by weight at 20 °C, in g/mL, straight between rows.

    Raises InvalidError `too_small` or `too_large` outside 0 to 70 %: fuming acid has no place at
    the bench. Source: see DENSITY_AT_20_C.
    """
    strength = checked(percent, field="acid_percent", maximum=STRENGTH_MAX_PERCENT)
    return float(np.interp(strength, _PERCENTS, _DENSITIES))


def molarity_mol_per_l(percent: float) -> float:
    """Moles of HNO3 in a litre of acid of `percent` % by weight at 20 °C.

    Raises InvalidError `too_small` or `too_large`.
    """
    return 10.0 * percent * density_g_per_ml(percent) / HNO3_G_PER_MOL


def acid_volume_ml(acid_mol: float, percent: float) -> float:
    """Millilitres of acid of `percent` % by weight that hold `acid_mol` moles of HNO3.

    Raises InvalidError `too_small` (water is no acid) or `too_large`.
    """
    checked(percent, field="acid_percent", above=True)
    return 1000.0 * checked(acid_mol, field="acid_mol") / molarity_mol_per_l(percent)
