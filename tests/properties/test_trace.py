"""The trace against plain fractions, on random histories with cycles."""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from fractions import Fraction
from math import floor

from hypothesis import given, settings
from hypothesis import strategies as st

from lots.traces.trace import OUTSIDE, Origin, edges_of, mix
from lots.traces.trace_following import follow
from lots.traces.trace_steps import Step, givers, takers

START = dt.datetime(2026, 1, 5, 8, 0, tzinfo=dt.UTC)
LOTS = (1, 2, 3, 4, 5)
METALS = ("Ag", "Cu")
ACCOUNTS = ("lost", "shipped", "assay-difference")
HALF = Fraction(1, 2)


@st.composite
def histories(draw: st.DrawFn) -> list[Step]:
    """Movements among five lots and three accounts; metal runs in circles among the lots."""
    held: dict[tuple[int, str], int] = defaultdict(int)
    steps: list[Step] = []
    for number in range(1, draw(st.integers(1, 25)) + 1):
        lines: list[tuple[int | str, str, int]] = []
        # A late assay is of a lot that came in before: the ledger rules no other.
        entered = sorted({lot for (lot, _), held_ug in held.items() if held_ug})
        ruled = st.sampled_from(entered) if entered else st.none()
        restates = draw(st.one_of(st.none(), st.none(), st.none(), ruled))
        for metal in draw(st.sampled_from([METALS[:1], METALS[1:], METALS])):
            lines += (_metal_lines if restates is None else _restating_lines)(draw, held, metal)
        if lines:
            gap = draw(st.integers(0, 1))
            at = START if not steps else steps[-1].at + dt.timedelta(minutes=gap)
            steps.append(Step(at, number, lines, restates))
    return steps


def _restating_lines(draw, held, metal):
    """A late assay: some lots and an account hold more or less than was booked."""
    lines: list[tuple[int | str, str, int]] = []
    for lot in draw(st.lists(st.sampled_from(LOTS), max_size=3, unique=True)):
        change = draw(st.integers(-held[lot, metal], 1000))
        held[lot, metal] += change
        lines.append((lot, metal, change))
    lines.append(("lost", metal, draw(st.integers(-5, 5))))
    lines.append(("assay-difference", metal, -sum(ug for _, _, ug in lines)))
    return [line for line in lines if line[2]]


def _metal_lines(draw, held, metal):
    lines: list[tuple[int | str, str, int]] = []
    total = 0
    for lot in draw(st.lists(st.sampled_from(LOTS), max_size=3, unique=True)):
        if held[lot, metal]:
            taken = draw(st.one_of(st.just(held[lot, metal]), st.integers(1, held[lot, metal])))
            lines.append((lot, metal, -taken))
            held[lot, metal] -= taken
            total += taken
    if not total or draw(st.booleans()):
        fresh = draw(st.integers(1, 10 ** draw(st.integers(1, 12))))
        lines.append((draw(st.sampled_from(["opening", "received"])), metal, -fresh))
        total += fresh
    givers_here = {holder for holder, _, _ in lines}
    targets = [
        target
        for target in draw(
            st.lists(
                st.sampled_from([*LOTS, "lost", "shipped"]), min_size=1, max_size=3, unique=True
            )
        )
        if target not in givers_here
    ] or ["lost"]
    for index, target in enumerate(targets):
        is_last = index == len(targets) - 1
        part = total if is_last else draw(st.integers(0, total))
        total -= part
        if part:
            lines.append((target, metal, part))
            if isinstance(target, int):
                held[target, metal] += part
    return lines


def reference(steps, *, rounded):
    """Each holder's shares by plain fractions; `rounded` to whole micrograms at every portion."""
    shares = defaultdict(lambda: defaultdict(Fraction))

    def take(pool, amount):
        whole = sum(pool.values())
        taken = {}
        running = Fraction(0)
        given = Fraction(0)
        for origin in sorted(pool):
            running += pool[origin]
            upto = running * Fraction(amount) / whole
            if rounded:
                # Half of an odd holding is rounded down to a whole microgram first.
                upto = Fraction(floor(upto + Fraction(int(whole) // 2, int(whole))))
            taken[origin] = upto - given
            given = upto
            pool[origin] -= taken[origin]
        return taken

    def restate(lot, holder, metal, change):
        of_holder = shares[holder, metal]
        if change > 0 or isinstance(holder, str):
            of_holder[Origin(lot, "assay-difference")] += change
            return
        own = {o: s for o, s in of_holder.items() if s and (o.lot == lot or holder == lot)}
        others = {o: s for o, s in of_holder.items() if s and o not in own}
        from_own = min(Fraction(-change), sum(own.values()))
        taken = {}
        for pool, amount in ((own, from_own), (others, -change - from_own)):
            if amount:
                taken |= take(pool, amount)
        shares[holder, metal] = defaultdict(Fraction, own | others)
        for origin, part in taken.items():
            if origin.lot != lot:
                shares["assay-difference", metal][origin] += part

    for step in steps:
        for metal in METALS:
            if step.restates is not None:
                for holder, of, ug in step.lines:
                    if of == metal and holder != "assay-difference":
                        restate(step.restates, holder, metal, ug)
                continue
            pool = defaultdict(Fraction)
            for holder, of, ug in step.lines:
                if of == metal and ug < 0 and isinstance(holder, str):
                    pool[Origin(OUTSIDE, holder)] += -ug
                elif of == metal and ug < 0:
                    for origin, part in take(shares[holder, metal], -ug).items():
                        pool[origin] += part
            for holder, of, ug in step.lines:
                if of == metal and ug > 0:
                    for origin, part in take(pool, ug).items():
                        is_first = isinstance(holder, int) and origin.lot == OUTSIDE
                        kept = Origin(holder, origin.account) if is_first else origin
                        shares[holder, metal][kept] += part
    return shares


def booked(steps):
    held = defaultdict(int)
    for step in steps:
        for holder, metal, ug in step.lines:
            held[holder, metal] += ug
    return held


@settings(max_examples=40, deadline=None)
@given(histories())
def test_shares_equal_the_fractions_to_the_microgram(steps):
    expected = reference(steps, rounded=True)
    traced = mix(steps)
    for metal in METALS:
        for lot in LOTS:
            wanted = {origin: ug for origin, ug in expected[lot, metal].items() if ug}
            assert traced.contents[metal].get(lot, {}) == wanted
        for account in ACCOUNTS:
            wanted = {origin: ug for origin, ug in expected[account, metal].items() if ug}
            gone = traced.gone[metal].get(account, {})
            assert {origin: ug for origin, ug in gone.items() if ug} == wanted


@settings(max_examples=40, deadline=None)
@given(histories())
def test_shares_sum_to_the_holding_and_stay_near_the_unrounded_fractions(steps):
    held = booked(steps)
    exact = reference(steps, rounded=False)
    traced = mix(steps)
    portions = sum(len(step.lines) for step in steps)
    for metal in METALS:
        for lot in LOTS:
            mixture = traced.contents[metal].get(lot, {})
            assert sum(mixture.values()) == held[lot, metal]
            assert all(ug > 0 for ug in mixture.values())
            for origin, share in exact[lot, metal].items():
                assert abs(mixture.get(origin, 0) - share) < portions


@settings(max_examples=40, deadline=None)
@given(histories(), st.sampled_from(LOTS))
def test_following_a_lot_agrees_with_everybodys_mixtures(steps, lot):
    followed = follow(steps, lot)
    everyone = mix(_with_arrivals_from_outside(steps, lot))
    for metal in METALS:
        entered = followed.entered[metal]
        parts, gone = followed.parts(metal), followed.gone[metal]
        assert sum(parts.values()) + sum(gone.values()) == entered
        for other in LOTS:
            if other != lot:
                mixture = everyone.contents[metal].get(other, {})
                assert parts.get(other, 0) == _of_lot(mixture, lot)
        for account in ACCOUNTS:
            share = everyone.gone[metal].get(account, {})
            assert gone.get(account, 0) == _of_lot(share, lot)


def _of_lot(mixture, lot):
    return sum(ug for origin, ug in mixture.items() if origin.lot == lot)


def _with_arrivals_from_outside(steps, lot):
    """The same history with whatever enters `lot` leaving the works first, and coming back."""
    told = []
    for step in steps:
        lines, back = [], []
        for holder, metal, ug in step.lines:
            if holder == lot and ug > 0:
                lines.append(("crossing", metal, ug))
                back += [("crossing", metal, -ug), (lot, metal, ug)]
            else:
                lines.append((holder, metal, ug))
        told.append(Step(step.at, 2 * step.movement, lines, step.restates))
        if back:
            told.append(Step(step.at, 2 * step.movement + 1, back))
    return told


def _touches(step, lots):
    return step.restates in lots or any(holder in lots for holder, _, _ in step.lines)


@settings(max_examples=40, deadline=None)
@given(histories(), st.sampled_from(LOTS))
def test_a_trace_of_the_connected_lots_alone_is_the_same(steps, lot):
    back = givers(steps, {lot})
    touching = [s for s in steps if _touches(s, back)]
    whole, part = mix(steps), mix(touching, back)
    ahead = takers(steps, {lot})
    beside = {
        holder
        for s in steps
        if any(holder in ahead for holder, _, _ in s.lines)
        for holder, _, _ in s.lines
        if isinstance(holder, int)
    }
    around = givers(steps, beside | ahead)
    near = [s for s in steps if _touches(s, around)]
    followed, alone = follow(steps, lot), follow(near, lot, around)
    for metal in METALS:
        assert part.contents[metal].get(lot, {}) == whole.contents[metal].get(lot, {})
        assert alone.parts(metal) == followed.parts(metal)
        assert {k: v for k, v in alone.gone[metal].items() if v} == {
            k: v for k, v in followed.gone[metal].items() if v
        }


@settings(max_examples=40, deadline=None)
@given(histories())
def test_edges_carry_what_every_holder_received(steps):
    arrived = defaultdict(int)
    for (source, target, metal), ug in edges_of(steps).items():
        if "assay-difference" in (source, target):
            continue
        arrived[target, metal] += ug
    expected = defaultdict(int)
    for step in steps:
        if step.restates is not None:
            continue
        for holder, metal, ug in step.lines:
            if ug > 0:
                expected[holder, metal] += ug
    assert arrived == expected
