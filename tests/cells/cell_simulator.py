"""An invented cell, simulated in short time steps and read with noise. All data is invented.

Shares no code with the product: its own constants, its own stepping (Euler, every twelve minutes,
from the anode's remaining masses), its own errors drawn from the uncertainties the product is told.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

FARADAY_C_PER_MOL = 96485.33212
SILVER_G_PER_MOL, COPPER_G_PER_MOL, PALLADIUM_G_PER_MOL = 107.8682, 63.546, 106.42
STEP_H = 0.2


@dataclass(frozen=True)
class Belief:
    """What the refiner writes down: a value with its standard uncertainty."""

    value: float
    u: float


@dataclass(frozen=True)
class Truth:
    """What really is in the cell at one moment."""

    silver_g: float
    copper_g: float
    palladium_g: float
    volume_l: float
    plated_g: float
    anode_left_g: float


@dataclass(frozen=True)
class SimulatedRun:
    """One run as the refiner sees it, and the truth at its assay and at its end."""

    volume_l: Belief
    silver_g_per_l: Belief
    copper_g_per_l: Belief
    anode_g: float
    anode_silver: Belief
    anode_copper: Belief
    anode_palladium: Belief
    efficiency: Belief
    u_gain: float
    u_reading_a: float
    evaporation_l_per_h: Belief
    reading_h: np.ndarray
    reading_a: np.ndarray
    assay_index: int
    assay_silver_g_per_l: Belief
    assay_copper_g_per_l: Belief
    at_assay: Truth
    at_end: Truth


def simulate_run(rng: np.random.Generator) -> SimulatedRun:
    """A run of some four days with readings at odd hours and one assay of the electrolyte.

    A Bayesian's draw: beliefs come first and the truth is drawn around them, so that an interval of
    95 % ought to hold the truth in 95 % of runs.
    """
    volume = Belief(rng.uniform(14, 24), 0.1)
    silver, copper = Belief(rng.uniform(80, 120), 1.0), Belief(rng.uniform(5, 30), 0.4)
    made_silver, made_copper, made_palladium = (
        Belief(rng.uniform(0.80, 0.86), 0.004),
        Belief(rng.uniform(0.08, 0.12), 0.004),
        Belief(rng.uniform(0.005, 0.015), 0.001),
    )
    efficiency, u_gain = Belief(0.97, 0.012), 0.01
    evaporation = Belief(0.008, 0.002)
    true_volume_l = _drawn(rng, volume)
    state = {
        "volume": true_volume_l,
        "Ag": _drawn(rng, silver) * volume.value + silver.value * (true_volume_l - volume.value),
        "Cu": _drawn(rng, copper) * volume.value + copper.value * (true_volume_l - volume.value),
        "Pd": 0.0,
        "plated": 0.0,
    }
    anode_g = rng.uniform(2500, 4000)
    anode = {
        "Ag": anode_g * _drawn(rng, made_silver),
        "Cu": anode_g * _drawn(rng, made_copper),
        "Pd": anode_g * _drawn(rng, made_palladium),
    }
    anode["inert"] = anode_g - sum(anode.values())
    gain = rng.normal(1.0, u_gain)
    true_efficiency, true_evaporation = _drawn(rng, efficiency), _drawn(rng, evaporation)

    hours = np.arange(0.0, 96.0 + STEP_H / 2, STEP_H)
    current_a = rng.uniform(3, 4.5) * np.exp(-hours / rng.uniform(150, 300))
    current_a *= 1.0 + 0.01 * np.sin(hours * rng.uniform(0.05, 0.2) + rng.uniform(0, 6))
    # Every three to four hours or so, never on the dot.
    inner = np.arange(17, len(hours) - 17, 17)
    inner += rng.integers(-6, 7, len(inner))
    read_at = np.concatenate(([0], inner, [len(hours) - 1]))
    # The meter shows the true current over its gain, plus flicker.
    u_reading_a = 0.02
    shown_a = current_a[read_at] / gain + rng.normal(0.0, u_reading_a, len(read_at))

    assay_index = len(read_at) // 2
    truths = {}
    for index in range(len(hours)):
        if index in (read_at[assay_index], read_at[-1]):
            truths[index] = _truth(state, anode)
        if index + 1 < len(hours):
            charge_ah = (current_a[index] + current_a[index + 1]) / 2 * STEP_H
            _euler(state, anode, true_efficiency * charge_ah, true_evaporation * STEP_H)
    at_assay, at_end = truths[read_at[assay_index]], truths[read_at[-1]]
    u_silver, u_copper = 0.8, 0.25
    return SimulatedRun(
        volume_l=volume,
        silver_g_per_l=silver,
        copper_g_per_l=copper,
        anode_g=anode_g,
        anode_silver=made_silver,
        anode_copper=made_copper,
        anode_palladium=made_palladium,
        efficiency=efficiency,
        u_gain=u_gain,
        u_reading_a=u_reading_a,
        evaporation_l_per_h=evaporation,
        reading_h=hours[read_at],
        reading_a=shown_a,
        assay_index=assay_index,
        assay_silver_g_per_l=Belief(
            rng.normal(at_assay.silver_g / at_assay.volume_l, u_silver), u_silver
        ),
        assay_copper_g_per_l=Belief(
            rng.normal(at_assay.copper_g / at_assay.volume_l, u_copper), u_copper
        ),
        at_assay=at_assay,
        at_end=at_end,
    )


def _drawn(rng: np.random.Generator, belief: Belief) -> float:
    return float(rng.normal(belief.value, belief.u))


def _euler(
    state: dict[str, float], anode: dict[str, float], plating_ah: float, evaporated_l: float
) -> None:
    """One short step: the anode loses each metal as it holds it, the cathode takes silver."""
    electrons_mol = plating_ah * 3600 / FARADAY_C_PER_MOL
    whole_g = sum(anode.values())
    per_g = (
        anode["Ag"] / SILVER_G_PER_MOL
        + 2 * anode["Cu"] / COPPER_G_PER_MOL
        + 2 * anode["Pd"] / PALLADIUM_G_PER_MOL
    ) / whole_g
    lost_g = electrons_mol / per_g
    for metal in ("Ag", "Cu", "Pd", "inert"):
        gone_g = lost_g * anode[metal] / whole_g
        anode[metal] -= gone_g
        if metal != "inert":
            state[metal] += gone_g
    plated_g = electrons_mol * SILVER_G_PER_MOL
    state["Ag"] -= plated_g
    state["plated"] += plated_g
    state["volume"] -= evaporated_l


def _truth(state: dict[str, float], anode: dict[str, float]) -> Truth:
    return Truth(
        silver_g=state["Ag"],
        copper_g=state["Cu"],
        palladium_g=state["Pd"],
        volume_l=state["volume"],
        plated_g=state["plated"],
        anode_left_g=sum(anode.values()),
    )
