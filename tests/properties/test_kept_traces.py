"""Traces from what is kept are those of the whole books, whatever is posted and in what order."""

from __future__ import annotations

import datetime as dt
import random
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.refusals import RefusalError
from lots import clock
from lots.ledger.holdings import AsOf, holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding, record_assay
from lots.measurements.rulings import rule_assay
from lots.models import Lot, Movement, ProcessBatch, TraceCheckpoint
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.taking import Take
from lots.traces.keep_traces import keep_traces
from lots.traces.lot_trace import trace_back, trace_forward
from lots.traces.trace import mix, run
from lots.traces.trace_following import Following, follow
from lots.traces.trace_packing import pack, unpack
from lots.traces.trace_steps import restated_elsewhere
from tests.builders import receive, weighed_output
from tests.conftest import MORNING
from tests.properties.test_trace import LOTS, METALS, histories


def cut_at_a_moment(steps, share):
    """The history in two, not within a moment."""
    at = min(round(len(steps) * share), len(steps))
    while 0 < at < len(steps) and steps[at - 1].at == steps[at].at:
        at += 1
    return steps[:at], steps[at:]


@settings(max_examples=40, deadline=None)
@given(histories(), st.floats(0, 1))
def test_going_on_from_what_was_kept_gives_the_same_mixtures(steps, share):
    before, after = cut_at_a_moment(steps, share)
    early, whole = mix(before), mix(steps)
    kept = {lot: unpack(pack(early.of_lot(lot))) for lot in LOTS}
    on = mix(after, None, kept)
    assert [on.of_lot(lot) for lot in LOTS] == [whole.of_lot(lot) for lot in LOTS]


@settings(max_examples=40, deadline=None)
@given(histories(), st.sampled_from(LOTS))
def test_following_from_what_was_kept_before_the_lot_came_gives_the_same(steps, lot):
    first = next(
        (n for n, s in enumerate(steps) if any(h == lot for h, _, _ in s.lines)), len(steps)
    )
    before, after = cut_at_a_moment(steps, 0) if not first else (steps[:first], steps[first:])
    while before and after and before[-1].at == after[0].at:
        after.insert(0, before.pop())
    early, whole = mix(before), follow(steps, lot)
    on = Following(lot, None, restated_elsewhere(after), kept={n: early.of_lot(n) for n in LOTS})
    run(on, after)
    for metal in METALS:
        assert on.parts(metal) == whole.parts(metal)
        assert on.entered[metal] == whole.entered[metal]
    assert on.edges == whole.edges


class IdleError(Exception):
    """There is nothing to do it with."""


class Floor:
    """Random work at the bench, some of it written down late, taken back, or assayed late."""

    def __init__(self, works, seed):
        self.works = works
        self.draw = random.Random(seed)
        self.hours = 0.0
        self.open = []

    def act(self):
        self.hours += self.draw.choice([0, 0.5, 1])
        late = self.draw.choice([0] * 5 + [self.draw.uniform(0, self.hours)])
        return Act(who=self.works.operator, occurred_at=self.at(self.hours - late))

    @staticmethod
    def at(hours):
        return MORNING + dt.timedelta(hours=round(hours, 3))

    def lots(self):
        stuff = Lot.objects.filter(state__in=["available", "in_process"]).order_by("pk")
        return [lot for lot in stuff if lot.form not in ("in_process", "sample")]

    def step(self):
        often = [self.receive, self.mix, self.mix, self.take_out, self.take_out, self.take_out]
        try:
            self.draw.choice([*often, self.close, self.rule, self.take_back])()
        except (RefusalError, IdleError):
            return

    def pick(self, things):
        if not things:
            raise IdleError
        return self.draw.choice(list(things))

    def receive(self):
        receive(self.works, self.act(), self.draw.randrange(50, 500))

    def mix(self):
        lots = self.draw.sample(self.lots(), k=min(len(self.lots()), 2))
        takes = [Take(lot, self.draw.choice([None, 9_000_000])) for lot in lots]
        self.open.append(
            start_batch(
                kind=ProcessBatch.Kind.MELT,
                place=self.works.places["melt-bench"],
                inputs=Inputs(takes),
                act=self.act(),
            )
        )

    def take_out(self):
        batch = self.pick(self.open)
        held_g = holding(batch.vessel).mass_ug // 1_000_000
        output = weighed_output(self.works, self.draw.randrange(1, max(held_g, 2) + 1))
        record_output(batch=batch, output=output, act=self.act())

    def close(self):
        batch = self.pick(self.open)
        close_batch(batch=batch, act=self.act())
        self.open = [each for each in self.open if each.pk != batch.pk]

    def rule(self):
        lot = self.pick(Lot.objects.filter(form="feed").order_by("pk"))
        silver = Finding(Decimal(self.draw.randrange(700, 899)), Decimal("0.3"))
        report = AssayReport("gravimetric", self.works.laboratory, {"Ag": silver})
        assay = record_assay(lot=lot, report=report, act=self.act())
        rule_assay(assay=assay, reason="The report came.", act=self.act())

    def take_back(self):
        latest = Movement.objects.filter(reverses=None).order_by("-sequence")[:4]
        reverse_movement(movement=self.pick(latest), reason="A slip.", act=self.act())


def answers(as_of):
    lots = list(Lot.objects.order_by("pk"))
    return [
        (back.shares, back.held_ug, ahead.parts, ahead.entered_ug, ahead.graph)
        for lot in lots
        for back, ahead in [(trace_back(lot, as_of), trace_forward(lot, as_of))]
    ]


@pytest.mark.parametrize("seed", [1, 3])
def test_kept_traces_agree_with_the_books_after_any_work(works, monkeypatch, seed):
    monkeypatch.setattr("lots.traces.keep_traces.MOVEMENTS_A_CHECKPOINT", 3)
    monkeypatch.setattr("lots.traces.lot_trace.MOVEMENTS_A_LOOK", 4)
    monkeypatch.setattr("lots.traces.lot_trace.FEW", 3)
    floor = Floor(works, seed)
    kept = stale = 0
    for number in range(48):
        with clock.at(MORNING + dt.timedelta(days=30, hours=number)):
            floor.step()
            stale += TraceCheckpoint.objects.filter(is_stale=True).count()
            if floor.draw.random() < 0.4:
                keep_traces(at_most=2)
            if number % 16 != 15:
                continue
            moment = floor.at(floor.draw.uniform(0, floor.hours))
            recorded = MORNING + dt.timedelta(days=30, hours=floor.draw.randrange(number))
            for as_of in (AsOf(), AsOf(moment), AsOf(recorded=recorded)):
                along_the_links = answers(as_of)
                with monkeypatch.context() as patch:
                    patch.setattr("lots.traces.linked_movements.ROUNDS_MAX", 0)
                    assert answers(as_of) == along_the_links
            kept += TraceCheckpoint.objects.filter(is_stale=False).count()
    assert kept
    assert stale
    assert [result.check.name for result in run_checks() if result.found] == []
