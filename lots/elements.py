"""What an atom weighs and what charge it carries: the constants every balance of metal rests on.

Atomic weights: CIAAW/IUPAC 2021 (T. Prohaska et al., Pure Appl. Chem. 94 (2022) 573-600), abridged
values where the table gives an interval. Faraday constant: exact since the 2019 SI (CODATA 2018).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Context, Decimal
from typing import Final

from config.refusals import refuse

METALS: Final = ("Ag", "Au", "Pt", "Pd", "Rh", "Cu")

ATOMIC_WEIGHT_SOURCE: Final = (
    "CIAAW/IUPAC standard atomic weights 2021, abridged (Pure Appl. Chem. 94 (2022) 573)"
)
FARADAY_SOURCE: Final = "CODATA 2018 and 2022: exact product of e and the Avogadro constant"

_ARITHMETIC: Final = Context(prec=34)


@dataclass(frozen=True)
class AtomicWeight:
    """A standard atomic weight in g/mol, with the uncertainty printed in the table.

    `quoted_uncertainty` is the table's figure: bounds within which ordinary material lies.
    """

    symbol: str
    value: Decimal
    quoted_uncertainty: Decimal

    @property
    def standard_uncertainty(self) -> Decimal:
        """The printed bounds read as a rectangular distribution: divided by the root of three.

        Source: A. Possolo et al., Pure Appl. Chem. 90 (2018) 395-424, recommends the rectangular
        distribution as the default for standard atomic weight intervals.
        """
        return _ARITHMETIC.divide(self.quoted_uncertainty, _ARITHMETIC.sqrt(Decimal(3)))


def _weight(symbol: str, value: str, quoted: str) -> AtomicWeight:
    return AtomicWeight(symbol, Decimal(value), Decimal(quoted))


ATOMIC_WEIGHTS: Final[dict[str, AtomicWeight]] = {
    weight.symbol: weight
    for weight in (
        _weight("Ag", "107.8682", "0.0002"),
        _weight("Au", "196.966570", "0.000004"),
        _weight("Pt", "195.084", "0.009"),
        _weight("Pd", "106.42", "0.01"),
        _weight("Rh", "102.90549", "0.00002"),
        _weight("Cu", "63.546", "0.003"),
        _weight("H", "1.0080", "0.0002"),
        _weight("N", "14.007", "0.001"),
        _weight("O", "15.999", "0.001"),
        _weight("Cl", "35.45", "0.01"),
    )
}

# Both constants are exact by definition of the SI, and so is their product.
ELEMENTARY_CHARGE_C: Final = Decimal("1.602176634E-19")
AVOGADRO_PER_MOL: Final = Decimal("6.02214076E+23")
FARADAY_C_PER_MOL: Final = _ARITHMETIC.multiply(ELEMENTARY_CHARGE_C, AVOGADRO_PER_MOL)

# What dissolves from an anode in a silver-nitrate cell, by the charge of its ion; the rest stays
# in the slimes bag (common practice, no source).
VALENCE_IN_SILVER_CELL: Final[dict[str, int]] = {"Ag": 1, "Cu": 2, "Pd": 2}
STAYS_IN_SLIMES: Final = ("Au", "Pt", "Rh")
CHARGE_NUMBER_MAX: Final = 8


def atomic_weight(symbol: str, *, field: str = "metal") -> Decimal:
    """The element's standard atomic weight in g/mol. Raises InvalidError `unknown_element`."""
    try:
        return ATOMIC_WEIGHTS[symbol].value
    except (KeyError, TypeError) as error:
        raise refuse(
            "unknown_element", field=field, value=symbol, atomic_weights=", ".join(ATOMIC_WEIGHTS)
        ) from error


def molar_mass(formula: dict[str, int]) -> Decimal:
    """Molar mass in g/mol of a compound given as atoms per element, such as Ag 1, N 1, O 3.

    Raises InvalidError `unknown_element`.
    """
    return sum((atomic_weight(symbol) * count for symbol, count in formula.items()), Decimal(0))


def electrochemical_equivalent_g_per_ah(metal: str, charge_number: int) -> Decimal:
    """Grams that one ampere-hour dissolves or plates: M * 3600 / (z * F), to 34 digits.

    `charge_number` is the ion's charge, 1 to 8. Raises InvalidError `unknown_element` or
    `charge_number_out_of_range`. Source: Faraday's law.
    """
    weight = atomic_weight(metal)
    is_whole = isinstance(charge_number, int) and not isinstance(charge_number, bool)
    if not is_whole or not 1 <= charge_number <= CHARGE_NUMBER_MAX:
        raise refuse(
            "charge_number_out_of_range",
            field="charge_number",
            value=charge_number,
            charge_number_max=CHARGE_NUMBER_MAX,
        )
    return _ARITHMETIC.divide(weight * 3600, charge_number * FARADAY_C_PER_MOL)
