"""What the cell holds at any moment, for every row of drawn figures at once.

The law gives the current by the share of the anode's charge that has passed; its reciprocal,
summed, is the time. Faraday's law and the balance of charge give the rest in closed form.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cells.electrochemistry.electrolysis import (
    ELECTRONS_MOL_PER_AH,
    SILVER_G_PER_AH,
)
from cells.estimate.facts import METALS_IN_BATH
from cells.estimate.laws import GRID, X_MAX, log_shares

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cells.estimate.facts import Poured, RunFacts
    from cells.estimate.priors import Drawn

    Floats = NDArray[np.float64]

LEAST_G: Final = 1e-9


@dataclass(frozen=True, eq=False)
class Course:
    """The run by powered hours: on the grid of shares the hours and the amperes, a row a draw."""

    drawn: Drawn
    hours: Floats
    current_a: Floats

    @property
    def end_share(self) -> Floats:
        """The share of the anode's charge after which no current passes."""
        return 1.0 - self.drawn.ending * self.drawn.contact

    def share_at(self, powered_h: Floats) -> Floats:
        """Share of the anode's charge that has passed, by draw (rows) and moment (columns)."""
        return np.minimum(_crosswise(powered_h, self.hours, GRID), self.end_share[:, None])

    def hours_at(self, share: Floats) -> Floats:
        """Powered hours after which a share (one a draw) has passed."""
        at = np.clip(np.searchsorted(GRID, share, side="right") - 1, 0, len(GRID) - 2)
        part = (share - GRID[at]) / (GRID[at + 1] - GRID[at])
        rows = np.arange(len(at))
        low, high = self.hours[rows, at], self.hours[rows, at + 1]
        return np.asarray(low + part * (high - low))

    def log_current_at(self, powered_h: Floats) -> Floats:
        """ln(amperes) by draw and moment, as if contact were never lost for good."""
        share = _crosswise(powered_h, self.hours, GRID)
        return _crosswise(share, np.broadcast_to(GRID, self.hours.shape), np.log(self.current_a))


def course_of(drawn: Drawn, law: NDArray[np.intp]) -> Course:
    """The run's course by each draw's law."""
    touching = (1.0 - np.minimum(GRID, X_MAX)) / drawn.contact[:, None]
    shares = np.exp(log_shares(law, drawn.fall, drawn.bend, drawn.departures))
    current = drawn.first_a[:, None] * shares * np.minimum(touching, 1.0)
    slowness = 1.0 / current
    steps = 0.5 * (slowness[:, 1:] + slowness[:, :-1]) * np.diff(GRID)
    hours = np.zeros_like(current)
    np.cumsum(steps, axis=1, out=hours[:, 1:])
    return Course(drawn, hours * drawn.metered_ah[:, None], current)


@dataclass(frozen=True, eq=False)
class Held:
    """What there is at some moments (columns), by draw (rows): grams, moles, litres, Ah."""

    charge_ah: Floats
    silver_g: Floats
    copper_g: Floats
    palladium_g: Floats
    acid_mol: Floats
    volume_l: Floats
    plated_g: Floats
    anode_left_g: Floats
    dissolved: Floats
    slimes_g: Mapping[str, Floats]


def held_at(course: Course, facts: RunFacts, hours: Floats, share: Floats) -> Held:
    """What the cell holds at moments by the clock, when `share` of the charge has passed.

    What was poured in or taken out before a moment counts. `share` has a row a draw, and `hours`
    may have.
    """
    drawn = course.drawn
    events = sorted(
        (each for each in facts.poured if each.hours <= float(hours.max(initial=0.0))),
        key=lambda each: (each.hours, each.litres.value, sorted(each.grams.items())),
    )
    at = np.array([each.hours for each in events])
    passed = np.concatenate([share, course.share_at(facts.powered(at))], axis=1)
    rows = len(share)
    clock = np.concatenate(
        [np.broadcast_to(hours, share.shape), np.broadcast_to(at, (rows, len(at)))], axis=1
    )
    left, left_copper = _left(drawn, passed)
    ah = passed * drawn.whole_ah[:, None]
    plated = (drawn.at_cathode / drawn.at_anode)[:, None] * ah * SILVER_G_PER_AH
    anode_g = facts.anode_g
    feed = {metal: anode_g * part[:, None] for metal, part in drawn.feed.items()}
    share_pd, fines = drawn.palladium_share[:, None], drawn.fines[:, None]
    gone, gone_copper = 1.0 - left, 1.0 - left_copper
    lost_ah = ah / drawn.at_anode[:, None]
    gain = {
        "Ag": drawn.bath_g["Ag"][:, None] + feed["Ag"] * (1.0 - fines) * gone - plated,
        "Cu": drawn.bath_g["Cu"][:, None] + feed["Cu"] * gone_copper,
        "Pd": drawn.bath_g["Pd"][:, None] + feed["Pd"] * share_pd * gone,
        # Charge that dissolves nothing makes acid at the anode, and uses it at the cathode.
        "acid": drawn.acid_mol[:, None]
        + lost_ah * ELECTRONS_MOL_PER_AH * (drawn.at_cathode - drawn.at_anode)[:, None],
        "litres": drawn.volume_l[:, None] - drawn.evaporation_l_per_h[:, None] * clock,
    }
    count = share.shape[1]
    bath = {name: values[:, :count].copy() for name, values in gain.items()}
    _pour(drawn, bath, gain, hours, events)
    in_bag = {
        "Ag": feed["Ag"] * fines * gone,
        "Au": feed["Au"] * gone,
        "Pd": feed["Pd"] * (1.0 - share_pd) * gone,
    }
    inert_g = anode_g - sum(feed.values())
    still_g = ((feed["Ag"] + feed["Pd"] + feed["Au"] + inert_g) * left + feed["Cu"] * left_copper)[
        :, :count
    ]
    dissolving = (feed["Ag"] * (1.0 - fines) + feed["Pd"] * share_pd, feed["Cu"])
    dissolved = (dissolving[0] * gone + dissolving[1] * gone_copper) / sum(dissolving)
    return Held(
        charge_ah=lost_ah[:, :count],
        silver_g=np.maximum(bath["Ag"], LEAST_G),
        copper_g=np.maximum(bath["Cu"], LEAST_G),
        palladium_g=np.maximum(bath["Pd"], LEAST_G),
        acid_mol=np.maximum(bath["acid"], LEAST_G),
        volume_l=np.maximum(bath["litres"], 0.02 * drawn.volume_l[:, None]),
        plated_g=plated[:, :count],
        anode_left_g=still_g,
        dissolved=dissolved[:, :count],
        slimes_g={metal: grams[:, :count] for metal, grams in in_bag.items()}
        | {"other": (inert_g * gone)[:, :count]},
    )


def _pour(
    drawn: Drawn,
    bath: dict[str, Floats],
    gain: Mapping[str, Floats],
    hours: Floats,
    events: Sequence[Poured],
) -> None:
    """Adds what was poured in; what is taken out well mixed takes its share of everything."""
    rest = {name: np.zeros(len(values)) for name, values in gain.items()}
    for number, event in enumerate(events, start=hours.shape[-1]):
        litres = event.litres.value
        if litres < 0.0:
            whole = np.maximum(gain["litres"][:, number] + rest["litres"], -2.0 * litres)
            part = -litres / whole
            changes = {n: -part * (gain[n][:, number] + rest[n]) for n in gain}
        else:
            added = {m: event.grams.get(m, 0.0) for m in METALS_IN_BATH}
            added |= {"acid": event.acid_mol, "litres": litres}
            changes = {n: added[n] * drawn.pouring for n in gain}
        for name, change in changes.items():
            rest[name] += change
            bath[name] += np.where(hours >= event.hours, change[:, None], 0.0)


def _left(drawn: Drawn, share: Floats) -> tuple[Floats, Floats]:
    """What is left of the anode's silver and of its copper when a share of the charge has passed.

    Copper dissolves `sooner` times as readily: (1 - Cu) = (1 - Ag)^sooner, in closed form but for
    one root, which Newton's method finds.
    """
    whole = drawn.whole_ah[:, None]
    copper = drawn.electrons_ah["Cu"][:, None] / whole
    sooner = drawn.sooner[:, None]
    left = np.maximum(1.0 - share, 1e-6)
    for _ in range(4):
        power = left ** (sooner - 1.0)
        miss = (1.0 - copper) * (1.0 - left) + copper * (1.0 - power * left) - share
        left = np.clip(left + miss / (1.0 - copper + copper * sooner * power), 1e-6, 1.0)
    return left, left**sooner


def _crosswise(wanted: Floats, known: Floats, values: Floats) -> Floats:
    """Linear interpolation row by row; `wanted` has rows, or is the same for all of them."""
    rows, size = known.shape
    wanted = np.broadcast_to(wanted, (rows, wanted.shape[-1]))
    # Each row is brought to 0..1 and set one higher than the row before, to search all at once.
    top = known[:, -1:]
    above = np.arange(rows)[:, None] * 2.0
    flat = (np.clip(known / top, 0.0, 1.0) + above).ravel()
    at = np.searchsorted(flat, (np.clip(wanted / top, 0.0, 1.0) + above).ravel(), side="right")
    at = np.clip(at.reshape(wanted.shape) - 1 - np.arange(rows)[:, None] * size, 0, size - 2)
    low = np.take_along_axis(known, at, 1)
    part = np.clip((wanted - low) / (np.take_along_axis(known, at + 1, 1) - low), 0.0, 1.0)
    values = np.broadcast_to(values, known.shape)
    first = np.take_along_axis(values, at, 1)
    return np.asarray(first + part * (np.take_along_axis(values, at + 1, 1) - first))
