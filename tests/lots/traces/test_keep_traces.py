"""Kept traces: made when due, stale when the past changes, never believed against the entries."""

from __future__ import annotations

import base64
import datetime as dt
import zlib
from io import StringIO
from types import SimpleNamespace

import pytest
from django.core.management import CommandError, call_command

from lots import clock
from lots.ledger.holdings import NOW, AsOf, holding
from lots.models import KeptMixture, TraceCheckpoint
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.taking import Take
from lots.traces import keep_traces as keeping
from lots.traces.keep_traces import keep_traces
from lots.traces.kept_traces import start_for
from lots.traces.linked_movements import stream_steps
from lots.traces.lot_trace import mixtures_of_all, trace_back, trace_forward
from lots.traces.trace import Kept
from lots.traces.trace_packing import DamagedError, pack, unpack
from tests.builders import receive, weighed_output
from tests.conftest import MORNING

DAYS = dt.timedelta(days=10)


@pytest.fixture
def kept(works, act, monkeypatch) -> SimpleNamespace:
    """A melt of two lots, a bar of it, and a checkpoint after every second of its five movements.

    Nothing is read along the links, as if each lot were connected with a thousand others.
    """
    monkeypatch.setattr(keeping, "MOVEMENTS_A_CHECKPOINT", 2)
    monkeypatch.setattr("lots.traces.linked_movements.ROUNDS_MAX", 0)
    with clock.at(MORNING + DAYS):
        one, other = receive(works, act(0), 300), receive(works, act(1), 100)
        batch = start_batch(
            kind="melt",
            place=works.places["melt-bench"],
            inputs=Inputs([Take(one), Take(other)]),
            act=act(2),
        )
        granules = record_output(batch=batch, output=weighed_output(works, 200), act=act(3))
        bar = record_output(batch=batch, output=weighed_output(works, 196), act=act(4))
        assert keep_traces() == 2
        yield SimpleNamespace(one=one, other=other, granules=granules, bar=bar, batch=batch)


def moments():
    standing = TraceCheckpoint.objects.filter(is_stale=False).order_by("moment")
    return [(each.moment - MORNING).total_seconds() / 3600 for each in standing]


def silver(lot, as_of=NOW):
    shares = trace_back(lot, as_of).shares
    return {share.lot: share.mass_ug for share in shares if share.metal == "Ag"}


def test_a_checkpoint_is_kept_after_every_so_many_movements(kept):
    assert moments() == [1, 3]
    # The emptied lots keep what they brought in; the granules and what is left have mixtures.
    rows = KeptMixture.objects.filter(checkpoint__moment=MORNING + dt.timedelta(hours=3))
    assert {row.lot for row in rows} == {kept.one, kept.other, kept.granules, kept.batch.vessel}
    assert keep_traces() == 0


def test_a_trace_begins_at_the_last_checkpoint(kept, monkeypatch):
    began = []

    def watched(as_of, since=None):
        began.append(since)
        return stream_steps(as_of, since)

    monkeypatch.setattr("lots.traces.lot_trace.stream_steps", watched)
    assert silver(kept.bar) == {kept.one: 135_975_000, kept.other: 45_325_000}
    assert began == [MORNING + dt.timedelta(hours=3, microseconds=1)]


def test_what_happened_today_is_too_fresh_to_be_kept(works, act, monkeypatch):
    monkeypatch.setattr(keeping, "MOVEMENTS_A_CHECKPOINT", 1)
    receive(works, act(0))
    assert keep_traces() == 0


@pytest.mark.parametrize(("hours", "left"), [(3.5, [1, 3]), (3, [1]), (2.5, [1]), (0.5, [])])
def test_posting_into_the_past_makes_what_is_kept_of_later_stale(kept, works, act, hours, left):
    receive(works, act(hours), 50)
    assert moments() == left


def test_a_lot_put_in_late_counts_from_then_on(kept, works, act):
    late = receive(works, act(1.5), 400)
    # The melt took none of it, so what came out is the same, and this lot stands on its own.
    assert silver(kept.bar) == {kept.one: 135_975_000, kept.other: 45_325_000}
    assert silver(late) == {late: 370_000_000}
    assert keep_traces() == 2
    assert moments() == [1, 2, 4]


def test_a_moment_before_the_last_checkpoint_is_answered_from_an_earlier(kept, act):
    as_of = AsOf(act(2).moment)
    assert start_for(as_of).since.hour == 10
    assert silver(kept.batch.vessel, as_of) == {kept.one: 277_500_000, kept.other: 92_500_000}
    assert silver(kept.bar, as_of) == {}


def test_what_was_not_recorded_yet_is_in_no_answer_of_then(kept, works, act):
    then = clock.now()
    with clock.at(then + dt.timedelta(days=2)):
        receive(works, act(0.5), 10)
        keep_traces()
        assert start_for(AsOf(recorded=then)) is None
        assert start_for(AsOf()) is not None
        assert silver(kept.bar, AsOf(recorded=then)) == silver(kept.bar)


def test_everybodys_mixtures_are_those_of_the_whole_books(kept):
    warm = mixtures_of_all()
    keeping.forget_traces()
    assert KeptMixture.objects.count() == 0
    assert mixtures_of_all() == warm
    assert warm["Ag"].keys() == {kept.granules.pk, kept.bar.pk, kept.batch.vessel_id}


def test_following_ends_when_none_of_the_metal_moves_any_more(kept, works, act, monkeypatch):
    early = receive(works, act(4.5), 20)
    for hours in range(5, 12):
        receive(works, act(hours), 10)
    read = []

    def watched(as_of, since=None):
        for step in stream_steps(as_of, since):
            read.append(step)
            yield step

    monkeypatch.setattr("lots.traces.lot_trace.stream_steps", watched)
    monkeypatch.setattr("lots.traces.lot_trace.MOVEMENTS_A_LOOK", 1)
    (part,) = [part for part in trace_forward(early).parts if part.metal == "Ag"]
    assert (part.lot, part.mass_ug) == (early, 18_500_000)
    assert len(read) < 4


def test_the_number_of_queries_does_not_grow_with_the_history(
    kept, works, act, django_assert_num_queries
):
    def both(number):
        with django_assert_num_queries(number[0]):
            trace_back(kept.bar)
        with django_assert_num_queries(number[1]):
            trace_forward(kept.one)

    both((14, 19))
    for hours in range(5, 15):
        receive(works, act(hours), 10)
    both((14, 19))
    assert keep_traces() == 5
    both((14, 19))


def tampered(lot, change):
    row = KeptMixture.objects.filter(lot=lot).latest("pk")
    row.packed = change(row.packed)
    row.save()


def more(packed):
    kept = unpack(packed)
    contents = {m: {o: ug + 1 for o, ug in mix.items()} for m, mix in kept.contents.items()}
    return pack(Kept(contents, kept.brought))


def swapped(packed):
    """The same sum, of the wrong origins: nothing but the entries can tell."""
    contents, brought = unpack(packed)
    shares = dict(zip(contents["Ag"], reversed(list(contents["Ag"].values())), strict=True))
    return pack(Kept(contents | {"Ag": shares}, brought))


@pytest.mark.parametrize("change", [lambda packed: packed[:-8], more])
def test_what_can_not_be_true_is_not_used_and_made_again(kept, works, act, caplog, change):
    whole = silver(kept.bar)
    tampered(kept.batch.vessel, change)
    assert silver(kept.bar) == whole
    assert "Not used" in caplog.text
    with pytest.raises(CommandError, match="kept-traces"):
        call_command("check_ledger", stdout=StringIO())
    # Neither can the next checkpoint be reckoned from it: all are dropped and made again.
    receive(works, act(5), 10)
    start_batch(
        kind="melt",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(kept.granules)]),
        act=act(6),
    )
    record_output(batch=kept.batch, output=weighed_output(works, 1), act=act(5.5))
    assert keep_traces() > 0
    call_command("check_ledger", stdout=StringIO())


def test_a_kept_mixture_of_wrong_origins_is_found_by_the_check(kept):
    tampered(kept.granules, swapped)
    out = StringIO()
    with pytest.raises(CommandError, match="kept-traces"):
        call_command("check_ledger", stdout=out)
    assert f"lot {kept.granules.code}" in out.getvalue()
    call_command("keep_traces", "--from-scratch", stdout=out)
    call_command("check_ledger", stdout=out)


def test_a_checkpoint_is_not_written_when_the_past_changed_meanwhile(kept, works, act, monkeypatch):
    keeping.forget_traces()
    reckon = keeping._reckon

    def slow(base, until):
        reckoned = reckon(base, until)
        receive(works, act(0.5), 10)
        return reckoned

    monkeypatch.setattr(keeping, "_reckon", slow)
    assert keep_traces(at_most=1) == 0
    assert TraceCheckpoint.objects.count() == 0


def test_a_posting_has_them_made_after_its_own_transaction(
    kept, works, act, monkeypatch, django_capture_on_commit_callbacks
):
    monkeypatch.setattr(keeping, "POSTINGS_A_LOOK", 7)
    keeping.forget_traces()
    with django_capture_on_commit_callbacks(execute=True):
        receive(works, act(5), 10)
    assert moments() == []
    with django_capture_on_commit_callbacks(execute=True):
        receive(works, act(6), 10)
    assert moments() == [1, 3]


def test_packing_keeps_every_origin_and_refuses_what_it_did_not_pack(kept):
    row = KeptMixture.objects.filter(lot=kept.granules).get()
    contents, brought = unpack(row.packed)
    assert {metal: sum(mix.values()) for metal, mix in contents.items()} == (
        holding(kept.granules).metals
    )
    assert brought == {}
    assert len(row.packed) < 120
    swollen = b"[{}, {}" + b" " * 80_000_000 + b"]"
    for wrong in (
        "",
        "not packed",
        pack(Kept({"Ag": dict.fromkeys(contents["Ag"], 0)}, {})),
        base64.b64encode(zlib.compress(swollen, 9)).decode(),
    ):
        with pytest.raises(DamagedError):
            unpack(wrong)
