"""Each named law is the curve its name says."""

from __future__ import annotations

import numpy as np
import pytest

from cells.estimate.laws import GRID, LAWS, X_MAX, log_shares

INSIDE = X_MAX > GRID
NAMES = [name for name, _, _ in LAWS]


def share(name: str, fall: float) -> np.ndarray:
    law = np.array([NAMES.index(name)])
    zero = np.zeros(1)
    return np.exp(log_shares(law, np.array([fall]), zero, np.zeros((1, 6))))[0][INSIDE]


STRAIGHT = {
    "slimes_layer": lambda current: 1.0 / current,
    "exponential_in_charge": np.log,
    "linear_in_charge": lambda current: current,
    "root_of_charge": lambda current: 1.0 / current**2,
}


@pytest.mark.parametrize("name", STRAIGHT)
def test_a_named_law_is_a_straight_line_on_its_own_scale(name):
    drawn = STRAIGHT[name](share(name, 0.9))
    slopes = np.diff(drawn) / np.diff(GRID[INSIDE])
    assert np.allclose(slopes, slopes[0], rtol=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_every_law_begins_at_the_first_current_and_falls(name):
    drawn = share(name, 0.9)
    assert drawn[0] == pytest.approx(1.0)
    assert (np.diff(drawn) < 0.0).all()


def test_a_shrinking_surface_follows_a_power_of_what_is_left():
    drawn = share("shrinking_surface", 2.3 * 2 / 3)
    assert np.allclose(drawn, (1.0 - GRID[INSIDE]) ** (2 / 3))
