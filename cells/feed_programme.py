"""The feed planner's mixed-integer linear programme: which grams of which lots are worth most?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, OptimizeResult, milp

from cells.feed_limits import (
    FeedLimits,
    FeedWishes,
    GranuleLot,
    Limit,
    copper_room_ug_of,
    least_take_ug,
    metal_fraction,
    worth_days,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

UG_PER_G: Final = 1_000_000
# Bounds the search and not the clock, so that the same question always gets the same answer.
NODES_MAX: Final = 20_000


@dataclass(frozen=True)
class Solution:
    grams: list[float] | None
    proven: bool
    bound_reached: bool


class Programme:
    """The programme in grams. Columns: mass and use of each lot, then the copper to be bled."""

    def __init__(self, lots: Sequence[GranuleLot], limits: FeedLimits, wishes: FeedWishes) -> None:
        self.lots, self.limits, self.wishes = lots, limits, wishes
        count = self.count = len(lots)
        self.mass_g = np.array([lot.mass_ug / UG_PER_G for lot in lots])
        self.copper = np.array([metal_fraction(lot, "Cu") for lot in lots])
        palladium = np.array([metal_fraction(lot, "Pd") for lot in lots])
        none = np.zeros(count)
        self.choice = np.array(
            [limits.lots_max is not None or least_take_ug(lot, wishes) > 0 for lot in lots],
            dtype=bool,
        )
        self.rows: dict[Limit, Floats] = {
            "basket_min": np.concatenate([-np.ones(count), none, [0.0]]),
            "basket_max": np.concatenate([np.ones(count), none, [0.0]]),
            "copper_max": np.concatenate([self.copper, none, [0.0]]),
            "palladium_max": np.concatenate([palladium, none, [0.0]]),
            "lots_max": np.concatenate([none, np.ones(count), [0.0]]),
        }
        self.highest: dict[Limit, float] = {
            "basket_min": -limits.basket_ug_min / UG_PER_G,
            "basket_max": limits.basket_ug_max / UG_PER_G,
            "copper_max": limits.copper_ug_max / UG_PER_G,
            "palladium_max": limits.palladium_ug_max / UG_PER_G,
            "lots_max": float(count if limits.lots_max is None else limits.lots_max),
        }

    def solve(self, margin_g: float) -> Solution:
        """The grams to take of each lot, with the upper limits drawn in by `margin_g`."""
        worth = np.array([worth_days(lot, self.wishes) for lot in self.lots])
        # Of lots worth the same the first by name is taken.
        worth = worth - 1e-6 * np.arange(self.count)
        cost = np.concatenate([-worth, np.zeros(self.count), [self.wishes.bleed_days]])
        result = self._run(cost, margin_g=margin_g)
        if result.x is None:
            return Solution(grams=None, proven=False, bound_reached=result.status == 1)
        used = result.x[self.count : -1] > 0.5
        grams = np.where(used, result.x[: self.count], 0.0)
        return Solution([float(item) for item in grams], result.status == 0, result.status == 1)

    def least_excess(self, limit: Limit) -> float | None:
        """The least by which this limit alone must give way, in grams or lots, or None."""
        cost = np.zeros(2 * self.count + 2)
        cost[-1] = 1.0
        result = self._run(cost, elastic=limit)
        return None if result.x is None else float(max(0.0, result.fun))

    def _run(
        self, cost: Floats, *, margin_g: float = 0.0, elastic: Limit | None = None
    ) -> OptimizeResult:
        count, extra = self.count, int(elastic is not None)
        width = 2 * count + 1 + extra
        rows, highest = [], []
        for limit, row in self.rows.items():
            gives_way = np.full(extra, -1.0 if limit == elastic else 0.0)
            rows.append(np.concatenate([row, gives_way]))
            drawn_in = margin_g if limit in {"basket_max", "copper_max", "palladium_max"} else 0.0
            highest.append(self.highest[limit] - drawn_in)
        rows.append(np.concatenate([self.copper, np.zeros(count), [-1.0], np.zeros(extra)]))
        highest.append(copper_room_ug_of(self.limits) / UG_PER_G)
        for index, lot in enumerate(self.lots):
            most, least = np.zeros(width), np.zeros(width)
            most[index], most[count + index] = 1.0, -self.mass_g[index]
            least[index], least[count + index] = -1.0, least_take_ug(lot, self.wishes) / UG_PER_G
            rows += [most, least]
            highest += [0.0, 0.0]
        lower, integral = np.zeros(width), np.zeros(width, dtype=np.int64)
        upper = np.concatenate([self.mass_g, np.ones(count), np.full(1 + extra, np.inf)])
        # A lot of which any mass will do needs no yes or no: it counts as used throughout.
        lower[count : 2 * count] = ~self.choice
        integral[count : 2 * count] = self.choice
        if elastic == "lots_max":
            integral[-1] = 1
        return milp(
            cost,
            integrality=integral,
            bounds=Bounds(lower, upper),
            constraints=LinearConstraint(np.array(rows), -np.inf, np.array(highest)),
            options={"node_limit": NODES_MAX, "mip_rel_gap": 0.0},
        )
