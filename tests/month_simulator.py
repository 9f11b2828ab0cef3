"""Invented months at a small refinery: what truly happened, and what instruments made of it.

Rows for a month's network are made from true figures; each reading has its own error and shares
one with other readings of its balance or laboratory, drawn from a seeded generator.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from reports.statistics.month_network import SILVER_PER_DISSOLVED
from reports.statistics.month_rows import (
    Analysed,
    Bagged,
    Brought,
    Event,
    Harvested,
    Moved,
    Output,
    Portion,
    Reading,
    Weighed,
)
from reports.statistics.propagation import in_common
from reports.statistics.uncertainty import Figure


@dataclass
class SimulatedMonth:
    """`noise` 0 makes every reading true. `wrong` names a reading that is off by `sigmas` of it."""

    rng: np.random.Generator
    noise: float = 1.0
    wrong: str = ""
    sigmas: float = 0.0
    events: list[Event] = field(default_factory=list)
    true: dict[str, float] = field(default_factory=dict)
    measured: list[str] = field(default_factory=list)
    _common: dict[str, float] = field(default_factory=dict)

    def read(self, name: str, true: float, u: float, common: str = "") -> Reading:
        """A reading of a true value, with the error that others share when `common` names it."""
        figure = in_common(true, u, name, common) if common else Figure(true, {name: u})
        value = true
        for source, part in figure.contributions.items():
            if source not in self._common:
                self._common[source] = float(self.rng.standard_normal())
            value += self.noise * part * self._common[source]
        if name == self.wrong:
            value += self.sigmas * figure.u
        self.true[name] = true
        return Reading(name, Figure(value, figure.contributions))

    def instrument(self, name: str, true: float, u: float, common: str = "") -> Reading:
        self.measured.append(name)
        return self.read(name, true, u, common)


def simulate(month: SimulatedMonth, runs: int) -> None:
    """A bath goes through `runs` runs, each fed by a lot that was received, melted and assayed."""
    bath = {"Ag": 900.0, "Cu": 180.0}
    volume = 11.5
    month.events.append(Brought("bath", dict(bath), None))
    _analyse(month, bath, volume, 0)
    for run in range(runs):
        _run(month, bath, run)
        volume -= 0.15
        _analyse(month, bath, volume, run + 1)


def _analyse(month: SimulatedMonth, bath: dict[str, float], volume: float, time: int) -> None:
    grades = {
        metal: [
            month.instrument(f"{metal} titrated {time}", bath[metal] / volume, 0.2, "titration")
        ]
        for metal in ("Ag", "Cu")
    }
    month.events.append(
        Analysed("bath", month.instrument(f"volume {time}", volume, 0.03), volume, grades)
    )


def _run(month: SimulatedMonth, bath: dict[str, float], run: int) -> None:
    rng = month.rng
    mass = float(rng.uniform(800, 2000))
    grade = {"Ag": float(rng.uniform(0.86, 0.94)), "Cu": float(rng.uniform(0.03, 0.06))}
    held = {metal: mass * part for metal, part in grade.items()}
    feed, lot, charge = f"feed {run}", f"lot {run}", f"charge {run}"
    month.events += [
        Brought(feed, held, month.read(f"received {run}", mass + 4, 0.17)),
        Moved(
            10 * run + 1,
            [Portion(feed, True, None, held)],
            lot,
            amount=month.instrument(f"melted {run}", mass, 0.12, "floor balance"),
            grades={
                metal: [month.instrument(f"{metal} assayed {run}", part, 0.0004, "laboratory")]
                for metal, part in grade.items()
            },
            loss=0.001,
        ),
        Moved(10 * run + 2, [Portion(lot, True, None, held)], charge),
    ]
    remnant = float(rng.uniform(0.03, 0.06)) * mass
    weighed = month.instrument(f"remnant {run}", remnant, 0.02, "bench balance")
    left = {metal: (mass - remnant) * part for metal, part in grade.items()}
    given = {metal: remnant * part for metal, part in grade.items()}
    month.events.append(
        Moved(10 * run + 3, [Portion(charge, False, weighed, given)], f"remnant {run}", weighed)
    )
    _harvest(month, bath, run, left)


def _harvest(
    month: SimulatedMonth, bath: dict[str, float], run: int, left: dict[str, float]
) -> None:
    rng, charge = month.rng, f"charge {run}"
    kept = {"Ag": 0.02 * left["Ag"], "Cu": 0.01 * left["Cu"]}
    if month.noise:
        kept["Ag"] = max(0.02 + 0.006 * float(rng.standard_normal()), 0.001) * left["Ag"]
    slimes = {
        # What is expected is not what is there: the true slimes lie about the estimate.
        metal: Reading(
            f"slimes {metal} {run}",
            Figure(share * left[metal], {f"slimes {metal} {run}": u * left[metal]}),
        )
        for metal, share, u in (("Ag", 0.02, 0.006), ("Cu", 0.01, 0.004))
    }
    dissolved = {metal: left[metal] - kept[metal] for metal in left}
    silver = sum(SILVER_PER_DISSOLVED[metal] * grams for metal, grams in dissolved.items())
    # What side reactions and efficiency truly were is drawn about what is expected of them.
    side = month.read(f"side {run}", 0.0, 0.003 * silver)
    loss = 0.001 * silver
    plated = silver + side.figure.value
    efficiency = month.read(f"efficiency {run}", 0.975, 0.012)
    by_charge = plated / efficiency.figure.value
    bath["Ag"] += dissolved["Ag"] - plated - month.noise * loss * float(rng.standard_normal())
    bath["Cu"] += dissolved["Cu"] - month.noise * loss * float(rng.standard_normal())
    crystal = plated / 0.9997
    month.events += [
        Bagged(10 * run + 4, charge, f"bag {run}", slimes, False),
        Harvested(
            10 * run + 5,
            charge,
            "bath",
            f"crystal {run}",
            month.instrument(f"crystal {run}", crystal, 0.17, "floor balance"),
            {"Ag": [month.instrument(f"Ag of crystal {run}", 0.9997, 0.0001, "laboratory")]},
            {"Ag": plated},
            month.instrument(f"coulombs {run}", by_charge, 0.005 * by_charge, "ammeter"),
            Reading(efficiency.name, Figure(0.975, efficiency.figure.contributions)),
            Reading(side.name, Figure(0.0, side.figure.contributions)),
            0.001,
        ),
    ]
    _rinse(month, bath, run)
    month.events.append(
        Weighed(f"crystal {run}", month.instrument(f"count {run}", crystal, 0.12, "floor balance"))
    )


def _rinse(month: SimulatedMonth, bath: dict[str, float], run: int) -> None:
    drag = {metal: 0.003 * grams for metal, grams in bath.items()}
    for metal, grams in drag.items():
        bath[metal] -= grams
    month.events.append(
        Output(
            10 * run + 6,
            "bath",
            f"rinse {run}",
            month.instrument(f"rinse {run}", 6.0, 0.05),
            {
                metal: [month.instrument(f"{metal} of rinse {run}", grams / 6.0, 0.02)]
                for metal, grams in drag.items()
            },
            drag,
        )
    )
