"""Metal and charge balance on every path that is drawn."""

from __future__ import annotations

import numpy as np
import pytest

from cells.estimate.facts import Bath, Feed, Figure, RunFacts
from cells.estimate.laws import LAWS
from cells.estimate.paths import course_of, held_at
from cells.estimate.priors import SIZE, draw

FACTS = RunFacts(
    anode_g=4000.0,
    feed=Feed("scrap"),
    bath=Bath(Figure(12.0, 0.1), {"Ag": Figure(60.0, 0.6), "Cu": Figure(20.0, 0.2)}),
    now_h=100.0,
)
ROWS = 60


@pytest.fixture(scope="module")
def drawn():
    rng = np.random.default_rng(17)
    z = rng.normal(size=(ROWS, SIZE))
    law, loss = np.arange(ROWS) % len(LAWS), np.arange(ROWS) % 3
    course = course_of(draw(z, loss, FACTS, 30.0), law)
    hours = np.linspace(0.0, 100.0, 7)
    return course, held_at(course, FACTS, hours, course.share_at(hours))


def test_every_gram_is_somewhere(drawn):
    course, held = drawn
    silver = (
        held.silver_g
        + held.plated_g
        + held.slimes_g["Ag"]
        + course.drawn.feed["Ag"][:, None] * FACTS.anode_g * _left(course, held)
    )
    begun = course.drawn.bath_g["Ag"] + course.drawn.feed["Ag"] * FACTS.anode_g
    full = held.silver_g > 1.0
    assert (np.abs(silver / begun[:, None] - 1.0)[full] < 1e-6).all()
    # What hangs, what is in the bag and what is in solution or plated weigh what was hung.
    copper = held.copper_g - held.copper_g[:, :1]
    palladium = held.palladium_g - held.palladium_g[:, :1]
    silver = held.silver_g - held.silver_g[:, :1] + held.plated_g
    whole = held.anode_left_g + sum(held.slimes_g.values()) + copper + palladium + silver
    assert (np.abs(whole / FACTS.anode_g - 1.0)[full] < 1e-4).all()


def _left(course, held):
    gold = course.drawn.feed["Au"][:, None] * FACTS.anode_g
    return 1.0 - held.slimes_g["Au"] / gold


def test_charges_at_both_electrodes_are_equal_but_for_what_is_lost(drawn):
    course, held = drawn
    # CIAAW atomic weights and the CODATA Faraday constant, written out here.
    mol_per_ah = 3600.0 / 96485.33212
    silver = (held.silver_g - held.silver_g[:, :1] + held.plated_g) / 107.8682
    copper = 2.0 * (held.copper_g - held.copper_g[:, :1]) / 63.546
    palladium = 2.0 * (held.palladium_g - held.palladium_g[:, :1]) / 106.42
    at_anode = (silver + copper + palladium) / mol_per_ah
    full = held.silver_g > 1.0
    wanted = held.charge_ah * course.drawn.at_anode[:, None]
    assert (np.abs(at_anode - wanted)[full] < 1e-3 * held.charge_ah.max()).all()
    plated = held.plated_g / 107.8682 / mol_per_ah
    assert np.allclose(plated, held.charge_ah * course.drawn.at_cathode[:, None])


def test_the_current_summed_is_the_charge(drawn):
    course, _ = drawn
    end = course.hours_at(course.end_share)
    hours = np.linspace(0.0, 0.8, 2001)[None, :] * end[:, None]
    current = np.exp(course.log_current_at(hours))
    charge = np.trapezoid(current, hours, axis=1)
    passed = course.share_at(hours[:, -1:])[:, 0] * course.drawn.metered_ah
    assert np.allclose(charge, passed, rtol=1e-2)


def test_copper_dissolves_sooner(drawn):
    course, held = drawn
    copper = (held.copper_g - held.copper_g[:, :1]) / (course.drawn.feed["Cu"] * 4000.0)[:, None]
    assert (copper[:, 1:] >= 1.0 - _left(course, held)[:, 1:] - 1e-9).all()
