"""The estimate of a run holds the truth of invented ones, and names a figure that is wrong."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from cells.estimate.answers import estimate, range_of
from cells.estimate.facts import Bath, Feed, Figure, Measured, Poured, RunFacts
from tests.studies.estimate.cell_runs import LAWS, simulate
from tests.studies.estimate.coverage_study import PLAIN, answers_of, pooled, table
from tests.studies.estimate.named_table import cells
from tests.studies.estimate.told import More, facts_of


def known(**more: object) -> RunFacts:
    """A 4 kg anode of 900 silver and 100 copper at 40 A, six hours in."""
    values: dict[str, object] = {
        "anode_g": 4000.0,
        "feed": Feed("scrap", {"Ag": Figure(0.9, 0.003), "Cu": Figure(0.1, 0.003)}),
        "bath": Bath(Figure(12.0, 0.1), {"Ag": Figure(60.0, 0.6), "Cu": Figure(20.0, 0.2)}),
        "now_h": 6.0,
        "hours": [0.0, 2.0, 4.0, 6.0],
        "current_a": [40.0, 40.0, 40.0, 40.0],
    }
    return RunFacts(**(values | more))  # type: ignore[arg-type]


def middles(found, facts) -> dict[str, tuple[float, float]]:
    return {
        name: (made.value, made.u)
        for name, values in answers_of(found, facts.now_h).items()
        for made in [range_of(values)]
    }


def test_intervals_hold_the_truth_of_invented_runs():
    # The first runs of every cell of the named table; the whole of it runs by its command.
    stages = [PLAIN[1], PLAIN[3]]
    scores = pooled(table(cells(), tuple(LAWS), 2, stages))
    for name, held in scores.held.items():
        # 48 intervals of 95 %: below 40 a hundred-thousandth would be left to chance.
        assert sum(held) >= (40 if name not in ("end", "nine_tenths") else 38), (name, sum(held))
    assert np.median(scores.width["charge"]) < 0.03


def test_no_surer_of_what_plated_than_a_run_without_an_assay_allows():
    # An independent trial found +- 5.5 % the least that readings of current alone can tell.
    facts = known()
    made = estimate(facts).range_at(6.0, lambda held: held.plated_g)
    assert 0.04 < 0.5 * (made.high - made.low) / made.value < 0.07


def test_the_order_of_arrival_changes_nothing():
    run = simulate(np.random.default_rng(3), loss="both", feed="word", law="layer")
    facts = facts_of(run, 24.0, 0.6, More(assay=True, remnant=True))
    turned = replace(
        facts,
        hours=list(facts.hours)[::-1],
        current_a=list(facts.current_a)[::-1],
        measured=list(facts.measured)[::-1],
        poured=list(facts.poured)[::-1],
    )
    assert middles(estimate(facts), facts) == middles(estimate(turned), turned)


@pytest.mark.parametrize("factor", [0.1, 1.6])
def test_a_wrong_assay_is_named_and_left_aside(factor):
    run = simulate(np.random.default_rng(5), loss="both", feed="assay", law="layer")
    facts = facts_of(run, 24.0, 0.6, More(assay=True))
    right, *others = facts.measured
    wrong = replace(right, found=Figure(right.found.value * factor, right.found.u))
    found = estimate(replace(facts, measured=[wrong, *others]))
    (doubt,) = found.doubts
    assert (doubt.name, doubt.found) == ("silver_g_per_l", wrong.found.value)
    assert doubt.should_be.low <= right.found.value <= doubt.should_be.high
    without = estimate(replace(facts, measured=others))
    told, plain = middles(found, facts), middles(without, facts)
    for name, (value, u) in plain.items():
        assert abs(told[name][0] - value) < u, name


def test_a_reading_with_its_point_misplaced_is_named():
    run = simulate(np.random.default_rng(5), loss="both", feed="assay", law="layer")
    facts = facts_of(run, 24.0, 0.6)
    current = np.array(facts.current_a)
    current[2] *= 10
    found = estimate(replace(facts, current_a=current))
    (doubt,) = found.doubts
    assert doubt.found == pytest.approx(current[2])
    assert doubt.should_be.low <= current[2] / 10 <= doubt.should_be.high


def test_a_feed_with_nothing_said_of_copper_is_not_free_of_it():
    feed = Feed("scrap", {"Ag": Figure(0.92, 0.018)})
    found = estimate(known(feed=feed))
    made = found.range_at(6.0, lambda held: held.copper_g)
    assert made.value > 12.0 * 20.0 + 10.0
    gold = found.range_at(6.0, lambda held: held.slimes_g["Au"])
    assert gold.high > 3 * gold.value > 0.0


def test_no_charge_passes_while_the_power_is_off():
    on = estimate(known()).range_at(6.0, lambda held: held.charge_ah)
    off = estimate(known(off=[(2.5, 3.5)])).range_at(6.0, lambda held: held.charge_ah)
    assert off.value == pytest.approx(on.value * 5 / 6, rel=0.01)


def test_a_weighed_crystal_and_an_assay_bring_their_figures_in():
    crystal = Measured(6.0, "crystal_g", Figure(900.0, 2.0))
    silver = Measured(6.0, "silver_g_per_l", Figure(38.0, 0.3))
    found = estimate(known(measured=[crystal, silver], stopped_h=6.0))
    made = found.range_at(6.0, lambda held: held.plated_g)
    assert made.value == pytest.approx(900.0, rel=0.003)
    bath = found.range_at(6.0, lambda held: held.silver_g / held.volume_l)
    assert (bath.value, bath.u) == (pytest.approx(38.0, abs=0.3), pytest.approx(0.3, rel=0.5))


def test_what_is_poured_in_and_taken_out_counts():
    water = Poured(3.0, Figure(1.0, 0.01), {"Ag": 50.0, "Pd": 1.0}, acid_mol=0.5)
    taken = Poured(6.0, Figure(-6.0, 0.05))
    plain, poured, bled = (
        estimate(known(poured=each)).at(6.0) for each in ((), [water], [water, taken])
    )
    assert np.median(poured.silver_g - plain.silver_g) == pytest.approx(50.0, abs=1.0)
    assert np.median(poured.palladium_g - plain.palladium_g) == pytest.approx(1.0, abs=0.02)
    assert np.median(poured.acid_mol - plain.acid_mol) == pytest.approx(0.5, abs=0.02)
    assert np.median(bled.volume_l / poured.volume_l) == pytest.approx(7 / 13, rel=0.01)
    assert np.median(bled.copper_g / poured.copper_g) == pytest.approx(7 / 13, rel=0.03)


def test_a_cell_that_will_finish_is_never_told_never():
    current = [40.0 * 0.8**step for step in range(4)]
    found = estimate(known(current_a=current, hours=[0.0, 8.0, 16.0, 24.0], now_h=24.0))
    assert np.isfinite(range_of(found.end_h).high)
    assert range_of(found.dissolved_h(0.9)).value < range_of(found.end_h).value


def test_a_reading_a_minute_for_a_month_takes_under_a_second():
    hours = np.arange(0.0, 720.0, 1 / 60)
    current = 5.0 * np.exp(-hours / 700.0)
    facts = known(hours=hours, current_a=current, now_h=720.0)
    begun = time.process_time()
    estimate(facts)
    assert time.process_time() - begun < 1.0
