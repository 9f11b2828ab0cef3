"""How often is a wrong measurement of a month found, named first, and falsely accused?

Seeded months of three cell runs at an invented works, with one wrong reading of 0, 3, 5, 10 or 20
of its own standard uncertainties. A reading that is checked only by vaguer ones is found when its
error is large against theirs: 20 standard uncertainties of a harvest weighing are 3.4 g, while the
run's balances leave 7 g open, so only the count of the same crystal can tell.

Run `python -m tests.studies.month_power_study [months]`; the tables go to standard output. The same
study in small is a test beside it.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from reports.statistics.equations import Equations, Solution, solve
from reports.statistics.month_network import MonthNetwork
from reports.statistics.suspects import Doubt, find_suspects
from tests.month_simulator import SimulatedMonth, simulate

RUNS = 3
SIZES = (0.0, 3.0, 5.0, 10.0, 20.0)
WITHIN_95 = 1.96


@dataclass(frozen=True)
class Rates:
    """Shares of the months tried at one size of error, in units of its own uncertainty.

    `found`: anything was flagged. `named`: the wrong reading, or one that no test can tell from it,
    came first. `global_failed`: the chi-square test of all. `covered`: share of all estimates whose
    true value lay in their 95 % interval.
    """

    sigmas: float
    months: int
    found: float
    named: float
    global_failed: float
    covered: float
    statistic: float
    dof: int


def study(sigmas: float, months: int, *, seed: int = 20_417, pattern: str = "") -> Rates:
    """Tries `months` months; each time the wrong reading is drawn from those named `pattern`."""
    found = named = failed = 0
    covered: list[float] = []
    statistics = []
    dof = 0
    for number in range(months):
        month, equations, solution, doubt = one(sigmas, seed + number, pattern)
        found += bool(doubt.suspects)
        failed += doubt.global_failed
        named += _is_named(month, equations, doubt)
        covered.append(_coverage(month, equations, solution))
        statistics.append(solution.linear.statistic)
        dof = solution.linear.dof
    return Rates(
        sigmas,
        months,
        found / months,
        named / months,
        failed / months,
        float(np.mean(covered)),
        float(np.mean(statistics)),
        dof,
    )


def one(
    sigmas: float, seed: int, pattern: str
) -> tuple[SimulatedMonth, Equations, Solution, Doubt]:
    """One month, reconciled."""
    plain = SimulatedMonth(np.random.default_rng(seed))
    simulate(plain, RUNS)
    wrong = ""
    if sigmas:
        choice = [name for name in plain.measured if pattern in name]
        wrong = choice[int(np.random.default_rng([seed, 1]).integers(len(choice)))]
    month = SimulatedMonth(np.random.default_rng(seed), wrong=wrong, sigmas=sigmas)
    simulate(month, RUNS)
    equations = MonthNetwork(month.events).equations
    solution = solve(equations)
    return month, equations, solution, find_suspects(solution.linear)


def _is_named(month: SimulatedMonth, equations: Equations, doubt: Doubt) -> bool:
    if not month.wrong or not doubt.suspects:
        return False
    first = doubt.suspects[0]
    alike = [first.index, *(index for index, _ in first.equivalent)]
    return month.wrong in {equations.names[index] for index in alike}


def _coverage(month: SimulatedMonth, equations: Equations, solution: Solution) -> float:
    inside = []
    for name in month.measured:
        number = equations.numbers.get(name)
        if number is not None and name != month.wrong:
            miss = abs(float(solution.estimates[number]) - month.true[name])
            inside.append(miss <= WITHIN_95 * float(solution.sd[number]))
    return float(np.mean(inside))


def table(rates: list[Rates]) -> str:
    """The figures as they are printed."""
    lines = ["size  months  found  named first  global test  covered  chi-square (dof)"]
    lines += [
        f"{each.sigmas:4.0f}  {each.months:6d}  {each.found:5.2f}  {each.named:11.2f}  "
        f"{each.global_failed:11.2f}  {each.covered:7.3f}  {each.statistic:.1f} ({each.dof})"
        for each in rates
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    for what in ("", "crystal ", "titrated", "volume", "assayed", "coulombs"):
        sys.stdout.write(f"wrong: {what.strip() or 'any measurement'}\n")
        sys.stdout.write(table([study(size, count, pattern=what) for size in SIZES]) + "\n")
