"""How the current of a cell falls as its anode is used up: named laws, and one general one.

Every law gives the logarithm of the current over the first, by the share x of the anode's charge
that has passed, and is drawn so that `fall` has the same meaning in each: by how much the logarithm
has fallen where x is nine tenths or so. Which laws there are is a choice of method: common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Shares of the anode's charge at which the law is worked out, closer together near the end.
GRID: Final = np.concatenate(
    [np.linspace(0.0, 0.88, 45), 1.0 - 0.12 * np.geomspace(0.93, 0.006, 26), [1.02, 1.3]]
)
# A law is not followed beyond this share.
X_MAX: Final = 0.998
KNOTS: Final = np.linspace(0.0, 1.0, 6)
REACH: Final = 0.35


def _layer(fall: Floats, x: Floats, _: Floats) -> Floats:
    """A layer of slimes whose resistance grows with the charge: 1/I is a line in the charge."""
    return -np.log1p(np.expm1(fall) * x)


def _charge(fall: Floats, x: Floats, _: Floats) -> Floats:
    return -fall * x


def _decay(fall: Floats, x: Floats, _: Floats) -> Floats:
    """The current is a line in the charge, so that it decays exponentially by the clock."""
    return np.log1p(np.expm1(-fall) * x)


def _surface(fall: Floats, x: Floats, _: Floats) -> Floats:
    """The current follows a power of what is left, as the surface of a shrinking body does."""
    return fall / 2.3 * np.log1p(-x)


def _root(fall: Floats, x: Floats, _: Floats) -> Floats:
    return -0.5 * np.log1p(np.expm1(2.0 * fall) * x)


def _general(fall: Floats, x: Floats, bend: Floats) -> Floats:
    """Any fall, early or late, with more leave to depart from it."""
    return -fall * x ** np.exp(0.9 * bend)


LAWS: Final[tuple[tuple[str, Callable[[Floats, Floats, Floats], Floats], float], ...]] = (
    ("slimes_layer", _layer, 0.02),
    ("exponential_in_charge", _charge, 0.02),
    ("linear_in_charge", _decay, 0.02),
    ("shrinking_surface", _surface, 0.02),
    ("root_of_charge", _root, 0.02),
    ("general", _general, 0.15),
)


def _departures() -> Floats:
    """Columns of smooth departures from a law, by grid; each is multiplied by a standard normal."""
    apart = (KNOTS[:, None] - KNOTS) / REACH
    root = np.linalg.cholesky(np.exp(-0.5 * apart**2) + 1e-6 * np.eye(len(KNOTS)))
    hats = np.array([np.interp(GRID, KNOTS, row) for row in np.eye(len(KNOTS))])
    return np.asarray(root.T @ hats)


DEPARTURES: Final = _departures()


def log_shares(law: NDArray[np.intp], fall: Floats, bend: Floats, departures: Floats) -> Floats:
    """ln(current over the first) on the grid, a row for each law number and figure."""
    x = np.minimum(GRID, X_MAX)
    shares = np.empty((len(law), len(GRID)))
    for number, (_, shape, spread) in enumerate(LAWS):
        rows = np.flatnonzero(law == number)
        if rows.size:
            shares[rows] = shape(fall[rows, None], x, bend[rows, None])
            shares[rows] += spread * (departures[rows] @ DEPARTURES)
    return shares
