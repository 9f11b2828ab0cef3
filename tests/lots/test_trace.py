"""Proportional mixing on small histories worked by hand."""

from __future__ import annotations

import datetime as dt

import pytest

from lots.traces.trace import Origin, draw, edges_of, mix
from lots.traces.trace_following import follow
from lots.traces.trace_steps import Step, givers, takers, without_reversed

NINE = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC)


def steps_of(*movements, at=None):
    """One step an hour, each given as its lines of silver; `at` sets the hours instead."""
    hours = at or range(len(movements))
    return [
        Step(NINE + dt.timedelta(hours=hour), number, [(h, "Ag", ug) for h, ug in lines.items()])
        for number, (hour, lines) in enumerate(zip(hours, movements, strict=True), start=1)
    ]


ISOLDE, PELLOW, CELL, CRYSTAL, ELECTROLYTE = 1, 2, 3, 4, 5
RECEIVED = [{"received": -300, ISOLDE: 300}, {"received": -100, PELLOW: 100}]


def test_a_blend_shares_in_proportion():
    blend = {ISOLDE: -300, PELLOW: -100, CELL: 400}
    traced = mix(steps_of(*RECEIVED, blend, {CELL: -200, CRYSTAL: 196, "cell-difference": 4}))
    silver = traced.contents["Ag"]
    assert silver[CRYSTAL] == {Origin(ISOLDE, "received"): 147, Origin(PELLOW, "received"): 49}
    assert silver[CELL] == {Origin(ISOLDE, "received"): 150, Origin(PELLOW, "received"): 50}
    assert traced.gone["Ag"]["cell-difference"] == {
        Origin(ISOLDE, "received"): 3,
        Origin(PELLOW, "received"): 1,
    }


def test_metal_carried_into_the_next_run_keeps_its_origin():
    first = [{"received": -300, ISOLDE: 300}, {ISOLDE: -300, CELL: 300}]
    carried = [{CELL: -300, CRYSTAL: 200, ELECTROLYTE: 100}]
    second = [{"received": -100, PELLOW: 100}, {PELLOW: -100, ELECTROLYTE: -100, CELL: 200}]
    steps = steps_of(*first, *carried, *second)
    traced = mix(steps)
    assert traced.contents["Ag"][CELL] == {
        Origin(ISOLDE, "received"): 100,
        Origin(PELLOW, "received"): 100,
    }
    edges = edges_of(steps)
    assert edges[CELL, ELECTROLYTE, "Ag"] == 100
    assert edges[ELECTROLYTE, CELL, "Ag"] == 100


def test_an_excess_over_the_book_begins_in_the_lot_that_measured_it():
    harvest = {CELL: -300, "cell-difference": -2, CRYSTAL: 302}
    traced = mix(steps_of({"received": -300, CELL: 300}, harvest))
    assert traced.contents["Ag"][CRYSTAL] == {
        Origin(CELL, "received"): 300,
        Origin(CRYSTAL, "cell-difference"): 2,
    }


def test_following_a_lot_tells_where_every_microgram_is():
    blend = {ISOLDE: -300, PELLOW: -100, CELL: 400}
    harvest = {CELL: -200, CRYSTAL: 196, "cell-difference": 4}
    followed = follow(steps_of(*RECEIVED, blend, harvest, {CRYSTAL: -96, "returned": 96}), ISOLDE)
    assert followed.entered["Ag"] == 300
    assert followed.parts("Ag") == {CELL: 150, CRYSTAL: 75}
    assert followed.gone["Ag"] == {"cell-difference": 3, "returned": 72}
    assert followed.edges["received", ISOLDE, "Ag"] == 300
    assert followed.edges[ISOLDE, CELL, "Ag"] == 300
    assert followed.edges[CRYSTAL, "returned", "Ag"] == 72


def test_a_lot_in_the_middle_can_be_followed_too():
    followed = follow(
        steps_of(*RECEIVED, {ISOLDE: -300, CELL: 300}, {CELL: -90, CRYSTAL: 90}), CELL
    )
    assert followed.entered["Ag"] == 300
    assert followed.parts("Ag") == {CELL: 210, CRYSTAL: 90}


def test_portions_share_the_remainder_of_rounding_among_neighbours():
    mixture = {Origin(lot, "received"): 1 for lot in (1, 2, 3)}
    taken, left = draw(mixture, 3, 2)
    assert sum(taken.values()) == 2
    assert sum(left.values()) == 1
    assert all(ug in (0, 1) for ug in [*taken.values(), *left.values()])


def test_a_reversal_of_the_same_moment_leaves_no_trace():
    slip = [{"received": -300, ISOLDE: 300}, {ISOLDE: -300, PELLOW: 300}]
    history = steps_of(*slip, {ISOLDE: 300, PELLOW: -300}, at=[0, 1, 1])
    left = list(without_reversed(history, {3: 2}))
    traced = mix(left)
    assert traced.contents["Ag"] == {ISOLDE: {Origin(ISOLDE, "received"): 300}}
    assert (ISOLDE, PELLOW, "Ag") not in edges_of(left)


def test_movements_of_one_moment_are_taken_in_an_order_that_can_be():
    history = steps_of({ISOLDE: -50, CELL: 50}, {"received": -50, ISOLDE: 50}, at=[1, 1])
    assert mix(history).contents["Ag"][CELL] == {Origin(ISOLDE, "received"): 50}


def test_movements_that_can_only_be_together_are_taken_together():
    there = {ISOLDE: -50, CELL: 50}
    back = {CELL: -50, ISOLDE: 50}
    assert mix(steps_of(there, back, at=[1, 1])).contents["Ag"] == {}


def test_a_history_that_gives_more_than_there_is_is_our_own_mistake():
    with pytest.raises(AssertionError, match="more than it holds"):
        mix(steps_of({"received": -10, ISOLDE: 10}, {ISOLDE: -11, CELL: 11}))


def test_givers_and_takers_follow_the_links_both_ways():
    history = steps_of(*RECEIVED, {ISOLDE: -300, CELL: 300}, {CELL: -90, CRYSTAL: 90})
    assert givers(history, {CRYSTAL}) == {CRYSTAL, CELL, ISOLDE}
    assert takers(history, {ISOLDE}) == {ISOLDE, CELL, CRYSTAL}
    assert takers(history, {PELLOW}) == {PELLOW}
