"""Invented cell runs from the first ampere to the scales, stepped in time and read with noise.

Shares no code with the product: its own constants, its own Euler steps from the anode's remaining
masses, its own laws of falling current. All data is invented.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

COULOMBS_PER_MOL = 96485.33212
SILVER, COPPER, PALLADIUM = 107.8682, 63.546, 106.42
MOL_PER_AH = 3600.0 / COULOMBS_PER_MOL
STEPS = 600

# The current as a share of the first, by the share of the anode's charge that has passed.
Law = Callable[[float, np.random.Generator], Callable[[float], float]]


def _layer(fall: float, _: np.random.Generator) -> Callable[[float], float]:
    return lambda x: 1.0 / (1.0 + (math.exp(fall) - 1.0) * x)


def _charge(fall: float, _: np.random.Generator) -> Callable[[float], float]:
    return lambda x: math.exp(-fall * x)


def _decay(fall: float, _: np.random.Generator) -> Callable[[float], float]:
    return lambda x: 1.0 - (1.0 - math.exp(-fall)) * x


def _surface(fall: float, _: np.random.Generator) -> Callable[[float], float]:
    return lambda x: max(1.0 - x, 0.002) ** min(fall / 2.3, 0.75)


def _root(fall: float, _: np.random.Generator) -> Callable[[float], float]:
    return lambda x: 1.0 / math.sqrt(1.0 + (math.exp(2.0 * fall) - 1.0) * x)


def _level_then_fall(fall: float, rng: np.random.Generator) -> Callable[[float], float]:
    knee = rng.uniform(0.3, 0.6)
    return lambda x: 1.0 if x < knee else math.exp(-fall * (x - knee) / (1.0 - knee))


def _step_down(fall: float, rng: np.random.Generator) -> Callable[[float], float]:
    middle, width, low = rng.uniform(0.35, 0.65), rng.uniform(0.06, 0.15), math.exp(-fall)
    return lambda x: low + (1.0 - low) / (1.0 + math.exp((x - middle) / width))


LAWS: dict[str, Law] = {
    "layer": _layer,
    "charge": _charge,
    "decay": _decay,
    "surface": _surface,
    "root": _root,
}
LAWS_LEFT_OUT: dict[str, Law] = {"level_then_fall": _level_then_fall, "step_down": _step_down}
LOSSES = ("both", "cathode", "anode")
FEEDS = ("assay", "word", "nothing")


@dataclass(frozen=True)
class Belief:
    """What the refiner writes down: a value with its standard uncertainty."""

    value: float
    u: float


@dataclass(frozen=True)
class Moment:
    """What really is in the cell at one moment; grams, litres, ampere-hours."""

    hours: float
    charge_ah: float
    metered_ah: float
    silver_g: float
    copper_g: float
    palladium_g: float
    volume_l: float
    plated_g: float
    anode_left_g: float
    dissolved: float


@dataclass(frozen=True)
class Refill:
    """Water poured in, as the refiner wrote it down."""

    hours: float
    litres: float


@dataclass
class Run:
    """One run: what is told at first, what can be read at any time, and the truth."""

    litres: float
    anode_g: float
    made_of: dict[str, float]
    told_of_feed: dict[str, Belief]
    bath: dict[str, Belief]
    volume: Belief
    u_gain: float
    reading_u: float
    evaporation: Belief
    path: list[Moment]
    current_a: np.ndarray
    refills: list[Refill]
    end_h: float
    nine_tenths_h: float
    drag_out_l: float
    palladium_share: float
    noise: np.random.Generator
    gain: float
    cathode: float
    anode: float
    law: str
    contact: float
    readings: dict[float, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)

    def at(self, hours: float) -> Moment:
        """The truth at a moment, between the two nearest steps."""
        times = [each.hours for each in self.path]
        after = min(max(int(np.searchsorted(times, hours)), 1), len(times) - 1)
        a, b = self.path[after - 1], self.path[after]
        part = min(max((hours - a.hours) / (b.hours - a.hours), 0.0), 1.0)
        names = Moment.__dataclass_fields__
        mixed = {n: getattr(a, n) + part * (getattr(b, n) - getattr(a, n)) for n in names}
        return Moment(**mixed)

    def read(self, every_h: float, until_h: float) -> tuple[np.ndarray, np.ndarray]:
        """The ammeter's readings, about every so many hours and never on the dot."""
        if every_h not in self.readings:
            hours = np.arange(0.0, self.end_h, every_h)
            hours[1:] += self.noise.uniform(-0.1, 0.1, len(hours) - 1) * every_h
            hours = np.append(hours[hours < self.end_h * 0.985], self.end_h * 0.995)
            times = np.array([each.hours for each in self.path])
            metered = np.array([each.metered_ah for each in self.path])
            # What the meter shows is what it counts.
            shown = np.interp(
                hours, (times[1:] + times[:-1]) / 2, np.diff(metered) / np.diff(times)
            )
            shown *= 1.0 + self.reading_u * self.noise.normal(size=len(hours))
            self.readings[every_h] = hours, shown
        hours, shown = self.readings[every_h]
        seen = hours <= until_h + 1e-9
        return hours[seen], shown[seen]


def _told_of_feed(rng: np.random.Generator, feed: str, made: dict[str, float]) -> dict[str, Belief]:
    if feed == "assay":
        u = {"Ag": 0.003, "Cu": 0.003, "Pd": 0.0005, "Au": 0.0003}
        return {m: Belief(max(made[m] + rng.normal(0, u[m]), 0.0), u[m]) for m in u}
    if feed == "word":
        silver = made["Ag"] * (1.0 + rng.normal(0.0, 0.02))
        return {"Ag": Belief(round(min(silver, 0.995), 3), 0.02 * made["Ag"])}
    return {}


def _made_of(rng: np.random.Generator) -> dict[str, float]:
    silver = float(np.clip(rng.normal(0.89, 0.05), 0.72, 0.97))
    rest = 1.0 - silver
    made = {
        "Ag": silver,
        "Au": rest * min(0.3, 0.02 * math.exp(rng.normal(0.0, 1.2))),
        "Pd": rest * min(0.3, 0.02 * math.exp(rng.normal(0.0, 1.2))),
    }
    made["Cu"] = (rest - made["Au"] - made["Pd"]) * rng.uniform(0.7, 0.98)
    return made


def simulate(
    rng: np.random.Generator, *, loss: str, feed: str, law: str, fresh: float | None = None
) -> Run:
    """One run of a named loss and law, with what is told of its feed.

    `fresh` is the litres of a new bath of silver alone, in place of a used one of any size.
    """
    litres = math.exp(rng.uniform(math.log(0.5), math.log(800.0)))
    litres = litres if fresh is None else fresh
    made = _made_of(rng)
    lost = 1.0 - rng.uniform(0.92, 0.99)
    cathode = 1.0 if loss == "anode" else 1.0 - lost
    anode = 1.0 if loss == "cathode" else 1.0 - lost
    gain, drift = rng.normal(1.0, 0.01), rng.uniform(-0.006, 0.006)
    sooner, share = rng.uniform(1.0, 1.8), rng.uniform(0.2, 0.8)
    fines, contact = rng.uniform(0.0, 0.015), rng.uniform(0.01, 0.1)
    bath = {"Ag": rng.uniform(60, 120), "Cu": rng.uniform(5, 35), "Pd": rng.uniform(0, 0.2)}
    if fresh is not None:
        bath |= {"Cu": 0.0, "Pd": 0.0}
    u_bath = 0.01 if rng.random() < 0.5 else 0.03
    # No more is hung in a bath than it has silver to stand for the copper that dissolves.
    spare_g_per_l = rng.uniform(0.3, 0.7) * bath["Ag"]
    anode_g = litres * min(rng.uniform(120, 400), spare_g_per_l / (3.395 * made["Cu"]))
    left = {
        "Ag": anode_g * made["Ag"] * (1.0 - fines),
        "Cu": anode_g * made["Cu"],
        "Pd": anode_g * made["Pd"] * share,
    }
    told_bath = {
        m: Belief(v * (1.0 + rng.normal(0.0, u_bath)), u_bath * v) for m, v in bath.items()
    }
    told_volume = Belief(litres * (1.0 + rng.normal(0.0, 0.01)), 0.01 * litres)
    daily_l = litres * rng.uniform(0.001, 0.01)
    fall = rng.uniform(0.2, 1.6)
    shape = {**LAWS, **LAWS_LEFT_OUT}[law](fall, rng)
    whole_ah = _electrons(left) / MOL_PER_AH / anode
    meant_h = rng.uniform(72.0, 300.0)
    first_a = whole_ah / meant_h * (1.0 + fall / 2.0)
    inert_g = anode_g - sum(left.values())
    state = {m: v * litres for m, v in bath.items()}
    volume, charge, metered, hours, plated = litres, 0.0, 0.0, 0.0, 0.0
    total = _electrons(left)
    refills: list[Refill] = []
    path, currents = [], []
    nine = math.nan
    next_refill = rng.uniform(24, 72)
    wobble, phase = rng.uniform(0.0, 0.02), rng.uniform(0.0, 6.3)
    step_h = meant_h / STEPS
    whole_left = sum(left.values())
    while True:
        done = 1.0 - _electrons(left) / total
        gone = 1.0 - sum(left.values()) / whole_left
        path.append(
            Moment(
                hours,
                charge,
                metered,
                state["Ag"],
                state["Cu"],
                state["Pd"],
                volume,
                plated,
                sum(left.values()) + inert_g * (1.0 - gone),
                gone,
            )
        )
        if math.isnan(nine) and gone >= 0.9:
            nine = hours
        # Contact is lost bit by bit when little is left, and the cell is then switched off.
        touching = min(1.0, (1.0 - done) / contact)
        current = first_a * shape(done) * touching
        current *= 1.0 + wobble * math.sin(hours * 6.283 / 24.0 + phase)
        currents.append(current)
        if done > 1.0 - 0.35 * contact or hours > 40 * meant_h:
            break
        ah = current * step_h
        parts = {"Ag": left["Ag"], "Cu": sooner * left["Cu"], "Pd": left["Pd"]}
        per = parts["Ag"] / SILVER + 2 * parts["Cu"] / COPPER + 2 * parts["Pd"] / PALLADIUM
        scale = ah * MOL_PER_AH * anode / per
        for metal, part in parts.items():
            went = min(scale * part, left[metal])
            left[metal] -= went
            state[metal] += went
        state["Ag"] -= ah * MOL_PER_AH * cathode * SILVER
        plated += ah * MOL_PER_AH * cathode * SILVER
        charge += ah
        metered += ah / (gain * (1.0 + drift * (done - 0.5)))
        hours += step_h
        volume -= daily_l * step_h / 24.0
        if hours >= next_refill:
            poured = litres - volume
            refills.append(Refill(hours, poured * (1.0 + rng.normal(0.0, 0.05))))
            volume = litres
            next_refill += rng.uniform(36, 96)
    return Run(
        litres=litres,
        anode_g=anode_g,
        made_of=made,
        told_of_feed=_told_of_feed(rng, feed, made),
        bath=told_bath,
        volume=told_volume,
        u_gain=0.01,
        reading_u=rng.uniform(0.003, 0.015),
        evaporation=Belief(litres * 0.005 / 24, litres * 0.003 / 24),
        path=path,
        current_a=np.array(currents),
        refills=refills,
        end_h=hours,
        nine_tenths_h=nine,
        drag_out_l=plated * rng.uniform(0.05, 0.3) / 1000,
        palladium_share=share,
        noise=np.random.default_rng(rng.integers(2**32)),
        gain=gain,
        cathode=cathode,
        anode=anode,
        law=law,
        contact=contact,
    )


def _electrons(left: dict[str, float]) -> float:
    return left["Ag"] / SILVER + 2 * left["Cu"] / COPPER + 2 * left["Pd"] / PALLADIUM
