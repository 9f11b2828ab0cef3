"""EURACHEM/CITAC Guide CG 4, Quantifying Uncertainty in Analytical Measurement (QUAM), example A1:
preparation of a calibration standard, Table A1.1.
"""

from __future__ import annotations

import pytest

from reports.statistics.uncertainty import (
    Vessel,
    linear,
    measured,
    product,
    quotient,
    rectangular,
    scaled,
    volume,
)


def concentration(u_volume_ml):
    """c = 1000 m P / V in mg/L."""
    purity = measured(0.9999, 0.000058, "purity")
    mass = measured(100.28, 0.05, "weighing")
    flask = measured(100.0, u_volume_ml, "flask")
    return scaled(quotient(product(mass, purity), flask), 1000)


def test_calibration_standard_to_the_printed_digits():
    answer = concentration(0.07)
    assert round(answer.value, 1) == 1002.7
    assert round(answer.u, 1) == 0.9
    assert round(answer.u / answer.value, 4) == 0.0009
    assert round(rectangular(0.0001), 6) == 0.000058


def test_calibration_standard_computed_with_more_digits():
    answer = concentration(0.07)
    assert answer.value == pytest.approx(1002.69972, abs=5e-6)
    assert answer.u == pytest.approx(0.863703, abs=5e-6)


def test_the_flask_has_three_effects_and_the_guide_rounds_their_sum():
    flask = volume(Vessel("flask", tolerance_ml=0.1, filling_ml=0.02, temperature_k=4), 100.0, "A1")
    assert flask.u == pytest.approx(0.0664731, abs=5e-8)
    assert round(flask.u, 2) == 0.07
    # The printed 0.9 needs the rounded 0.07; unrounded the result is 0.84 (computed).
    assert concentration(flask.u).u == pytest.approx(0.835218, abs=5e-6)


def test_weighing_by_difference_counts_linearity_twice():
    """The guide prints u = 0.13 mg for 0.3888 g; the two readings are recalled, not looked up.

    From memory: 60.5450 g, 60.1562 g and a linearity of +-0.15 mg, which give 0.1225 mg.
    """
    before = measured(60_545.0, rectangular(0.15), "first")
    after = measured(60_156.2, rectangular(0.15), "second")
    difference = linear([before, after], [1, -1])
    assert difference.value == pytest.approx(388.8)
    assert difference.u == pytest.approx(0.122474, abs=5e-7)
    assert abs(difference.u - 0.13) < 0.01
