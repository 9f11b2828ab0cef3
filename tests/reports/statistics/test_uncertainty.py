"""Standard uncertainties and their propagation, against the `uncertainties` package."""

from __future__ import annotations

import math

import numpy as np
import pytest
import uncertainties  # type: ignore[import-untyped]
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array

from reports.statistics.uncertainty import (
    Balance,
    Figure,
    Vessel,
    assay,
    charge,
    exact,
    expanded,
    fine_mass,
    gather,
    linear,
    measured,
    net_weighing,
    product,
    quotient,
    reading,
    rectangular,
    triangular,
    volume,
)

BENCH = Balance(
    "bench", readability_ug=10_000, repeatability_ug=8_000, linearity_ug=20_000,
    calibration_share=2e-6,
)  # fmt: skip


def test_a_net_weighing_and_an_assay_give_fine_metal():
    mass = net_weighing(BENCH, 1_302_400_000, 102_400_000, "W1")
    fineness = assay(925.0, "A1", "ours", repeatability=0.6, laboratory_bias=0.3, determinations=4)
    fine = fine_mass(mass, fineness)
    assert fine.value == pytest.approx(1_200_000_000 * 0.925)
    each = 2 * (5_000**2 / 3 + 8_000**2 + 20_000**2 / 3)
    u_mass = math.sqrt(each + (1_200_000_000 * 2e-6) ** 2)
    u_fineness = math.hypot(0.3, 0.3)
    assert mass.u == pytest.approx(u_mass)
    assert fine.u == pytest.approx(math.hypot(0.925 * u_mass, 1_200_000 * u_fineness))


def test_the_calibration_error_of_one_balance_cancels_in_a_difference():
    full = net_weighing(Balance("b", 0, 0, calibration_share=1e-3), 5e6, 4e6, "W")
    assert full.u == pytest.approx(1e3)


def test_two_lots_that_share_an_assay_are_correlated():
    shared = assay(900.0, "A", "L", repeatability=1.0)
    first = fine_mass(measured(1000.0, 0.0, "W1"), shared)
    second = fine_mass(measured(500.0, 0.0, "W2"), shared)
    total = linear([first, second], [1, 1])
    assert first.covariance(second) == pytest.approx(first.u * second.u)
    assert total.u == pytest.approx(first.u + second.u)


def test_the_same_laboratory_correlates_different_assays():
    first = assay(900.0, "A1", "L", repeatability=0.5, laboratory_bias=0.2)
    second = assay(800.0, "A2", "L", repeatability=0.5, laboratory_bias=0.2)
    assert first.covariance(second) == pytest.approx(0.04)


def test_assays_of_one_sample_share_its_sampling_error():
    first = assay(900.0, "A1", "L1", repeatability=0.5, sampling=2.0, sample="S")
    second = assay(901.0, "A2", "L2", repeatability=0.5, sampling=2.0, sample="S")
    mean = linear([first, second], [0.5, 0.5])
    assert mean.u == pytest.approx(math.hypot(2.0, 0.5 / math.sqrt(2)))


def test_a_charge_and_an_exact_figure():
    run = charge(120.0, "M", "R1", gain_share=0.002, drift=0.1)
    assert run.u == pytest.approx(math.hypot(0.24, 0.1))
    assert exact(3.0).u == 0
    assert math.isinf(exact(3.0).effective_dof)


def test_rectangular_and_triangular():
    assert rectangular(3) == pytest.approx(math.sqrt(3))
    assert triangular(6) == pytest.approx(math.sqrt(6))


def test_expanded_uncertainty_is_normal_without_dof():
    answer = expanded(measured(10.0, 2.0, "a"), 0.95)
    assert answer.coverage_factor == pytest.approx(1.959964, abs=1e-6)
    assert answer.half_width == pytest.approx(2 * 1.959964, abs=1e-5)


def test_expanded_uncertainty_uses_students_t_with_dof():
    few = measured(10.0, 2.0, "a", dof=9)
    known = measured(5.0, 1.0, "b")
    both = linear([few, known], [1, 1])
    # Welch-Satterthwaite by hand: 5^2 / (2^4 / 9) = 14.06, cut to 14; t(0.975, 14) = 2.1448.
    assert both.effective_dof == pytest.approx(25 * 9 / 16)
    assert expanded(both).coverage_factor == pytest.approx(2.1448, abs=5e-5)
    assert expanded(few).coverage_factor == pytest.approx(2.2622, abs=5e-5)


def test_dof_survive_a_product_and_a_quotient():
    few = measured(10.0, 0.1, "a", dof=4)
    assert product(few, exact(3.0)).effective_dof == pytest.approx(4)
    assert quotient(exact(3.0), few).effective_dof == pytest.approx(4)


def test_a_volume_has_three_effects():
    flask = volume(Vessel("F", tolerance_ml=0.1, filling_ml=0.02, temperature_k=4), 100.0, "fill")
    parts = [0.1 / math.sqrt(6), 0.02, 100 * 4 * 2.1e-4 / math.sqrt(3)]
    assert flask.u == pytest.approx(math.sqrt(sum(part**2 for part in parts)))


def test_sets_with_different_sources_cannot_be_multiplied():
    (first,) = gather([measured(1.0, 0.1, "a")])
    (second,) = gather([measured(1.0, 0.1, "b")])
    with pytest.raises(ValueError, match="different error sources"):
        first.times(second)


values = st.floats(1, 1000)
shares = st.floats(1e-4, 0.05)


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.tuples(values, shares, values, shares, st.integers(0, 2)), min_size=1, max_size=6)
)
def test_many_products_agree_with_the_uncertainties_package(rows):
    bias = uncertainties.ufloat(0, 1)
    fineness_of = {k: uncertainties.ufloat(900 + k, 0.7) for k in range(3)}
    reference = [
        (uncertainties.ufloat(m, m * um) + m * um * bias) * fineness_of[k] * f * (1 + uf * bias)
        for m, um, f, uf, k in rows
    ]
    masses, finenesses = [], []
    for i, (m, um, f, uf, k) in enumerate(rows):
        masses.append(Figure(m, {f"own {i}": m * um, "bias": m * um}))
        finenesses.append(
            Figure((900 + k) * f, {f"assay {k}": 0.7 * f, "bias": (900 + k) * f * uf})
        )
    mass_set, fineness_set = gather(masses, finenesses)
    found = mass_set.times(fineness_set)
    expected = np.array(uncertainties.covariance_matrix(reference))
    assert np.allclose(found.covariance().toarray(), expected, rtol=1e-9)
    assert np.allclose(found.u, [value.std_dev for value in reference], rtol=1e-9)
    total = found.combine(csr_array(np.ones((1, len(rows)))))
    assert total.u[0] == pytest.approx(sum(reference).std_dev, rel=1e-9)
    single = [product(a, b) for a, b in zip(masses, finenesses, strict=True)]
    assert np.allclose([figure.u for figure in single], found.u)


def test_a_reading_leaves_out_what_is_zero():
    assert list(reading(Balance("b", 10, 0), 5.0, "W").contributions) == ["W: readability"]
