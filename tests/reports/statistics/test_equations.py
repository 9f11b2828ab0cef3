"""Readings, sums and products at once, against a general optimiser and by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from reports.statistics.equations import Equations, solve
from reports.statistics.uncertainty import Figure


def lot_in_two_parts(
    whole: float = 1000.0,
) -> tuple[Equations, dict[str, int]]:
    """A lot of known mass and grade, all of it in two bars that were weighed and assayed too."""
    equations = Equations()

    def read(name: str, value: float, u: float) -> int:
        return equations.reading(name, Figure(value, {name: u}))

    mass, grade = read("mass", whole, 2.0), read("grade", 0.9, 0.002)
    parts = []
    for name, value, content in (("first", 600.0, 0.903), ("second", 399.0, 0.8985)):
        part = read(name, value, 1.0)
        parts.append((part, read(f"grade of {name}", content, 0.003)))
    equations.balance("mass", {mass: 1.0, parts[0][0]: -1.0, parts[1][0]: -1.0})
    silver = equations.product_of("silver", mass, grade)
    terms = {
        equations.product_of(f"silver {index}", part, content): 1.0
        for index, (part, content) in enumerate(parts)
    }
    equations.balance("silver", {silver: 1.0, **dict.fromkeys(terms, -1.0)})
    return equations, dict(equations.numbers)


def test_products_and_balances_hold_and_the_fit_is_the_best() -> None:
    equations, number = lot_in_two_parts()
    solution = solve(equations)
    assert solution.converged
    x = solution.estimates
    for result, first, second in equations.products:
        assert x[result] == pytest.approx(x[first] * x[second], rel=1e-9)
    names = ["mass", "grade", "first", "second", "grade of first", "grade of second"]
    read = np.array([equations.readings[number[name]].value for name in names])
    u = np.array([equations.readings[number[name]].u for name in names])

    def misfit(z: np.ndarray) -> float:
        return float((z**2).sum())

    def silver(z: np.ndarray) -> float:
        m, g, a, b, p, q = read + u * z
        return float(m * g - a * p - b * q)

    found = minimize(
        misfit,
        np.zeros(6),
        method="SLSQP",
        constraints=[
            {"type": "eq", "fun": lambda z: (read + u * z) @ [1, 0, -1, -1, 0, 0]},
            {"type": "eq", "fun": silver},
        ],
        options={"ftol": 1e-12, "maxiter": 500},
    )
    assert found.success
    ours = np.array([x[number[name]] for name in names])
    # The linearised fit's minimum differs from the exact one in the second order only.
    assert ours == pytest.approx(read + u * found.x, rel=2e-6)


def test_a_reading_set_aside_is_found_from_the_others() -> None:
    equations, number = lot_in_two_parts(whole=1300.0)
    solution = solve(equations, {number["mass"]})
    assert solution.estimates[number["mass"]] == pytest.approx(999.0, abs=1.0)
    assert solution.sd[number["mass"]] == pytest.approx(2**0.5, rel=0.2)


def test_what_nothing_says_cannot_be_known() -> None:
    equations = Equations()
    mass = equations.reading("mass", Figure(10.0, {"mass": 0.1}))
    grade = equations.unknown("grade", 0.5)
    silver = equations.product_of("silver", mass, grade)
    solution = solve(equations)
    assert solution.is_known(mass)
    assert not solution.is_known(silver)
    assert np.isnan(solution.estimates[silver])


def test_measured_is_what_readings_alone_give() -> None:
    equations, number = lot_in_two_parts()
    silver = equations.measured(number["silver"])
    assert silver is not None
    assert silver.value == pytest.approx(900.0)
    assert silver.u == pytest.approx((1.8**2 + 2.0**2) ** 0.5)
    assert equations.measured(number["silver"], {number["grade"]}) is None
    assert equations.behind(number["silver"]) == {number["mass"], number["grade"]}
    assert equations.measured(equations.unknown("nothing", 1.0)) is None


def test_one_name_is_one_reading() -> None:
    equations = Equations()
    first = equations.reading("weighing 1", Figure(10.0, {"weighing 1": 0.1}))
    assert equations.reading("weighing 1", Figure(11.0)) == first
    assert len(equations.names) == 1


def test_sums_are_tied_to_their_terms() -> None:
    equations = Equations()
    parts = [equations.reading(f"part {n}", Figure(float(n), {f"part {n}": 0.1})) for n in (1, 2)]
    whole = equations.sum_of("whole", dict.fromkeys(parts, 1.0))
    solution = solve(equations)
    assert solution.estimates[whole] == pytest.approx(3.0)
    assert solution.sd[whole] == pytest.approx(0.1 * 2**0.5)
