"""Warnings open, are acknowledged with a reason, and clear when they no longer hold."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal

import pytest

from cells.models import CellRun, CellWarning
from cells.queries.observed import findings_of, observed_of, thresholds_for
from cells.services import cell_warnings
from cells.services.cell_warnings import acknowledge_warning, refresh_warnings, stale_runs
from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.readings import Instruments, record_reading
from cells.services.slimes_bag import BagTaken, bag_slimes
from cells.services.start_run import start_run
from cells.services.stop_run import stop_run
from config.refusals import ConflictError, InvalidError
from lots.services.taking import Take


@pytest.fixture
def run(bench) -> CellRun:
    """A run with copper close to its limit, and nothing else to warn of."""
    batch = bench.electrolyte(silver="90", copper="52")
    run = bench.charged(electrolyte=batch)
    return start_run(run=run, act=bench.act(2), first=Instruments(Decimal(30)))


def standing(run: CellRun) -> dict[str, str]:
    warnings = CellWarning.objects.filter(run=run).exclude(state=CellWarning.State.CLEARED)
    return {warning.rule: warning.state for warning in warnings}


def test_a_warning_opens_is_acknowledged_and_clears(bench, run):
    refresh_warnings(run=run, act=bench.act(3))
    assert standing(run) == {"copper_near_limit": "open"}
    warning = CellWarning.objects.get(run=run)
    assert warning.severity == "warning"
    assert (warning.limit, warning.unit) == (60.0, "g/L")
    assert warning.basis == "common practice, no source"
    warning = acknowledge_warning(
        warning=warning, reason="bleed planned on Friday", act=bench.act(4)
    )
    assert warning.acknowledged_by == bench.works.operator
    refresh_warnings(run=run, act=bench.act(5))
    assert standing(run) == {"copper_near_limit": "acknowledged"}
    bench.cell.copper_limit_g_per_l = Decimal(90)
    bench.cell.save()
    refresh_warnings(run=run, act=bench.act(6))
    assert standing(run) == {}
    warning.refresh_from_db()
    assert (warning.state, warning.cleared_at) == ("cleared", bench.act(6).moment)
    bench.cell.copper_limit_g_per_l = Decimal(60)
    bench.cell.save()
    refresh_warnings(run=run, act=bench.act(7))
    assert standing(run) == {"copper_near_limit": "open"}
    assert CellWarning.objects.filter(run=run).count() == 2


def test_an_acknowledged_warning_opens_again_when_it_gets_worse(bench, run):
    refresh_warnings(run=run, act=bench.act(3))
    acknowledge_warning(warning=CellWarning.objects.get(run=run), reason="seen", act=bench.act(4))
    bench.cell.copper_limit_g_per_l = Decimal(50)
    bench.cell.save()
    refresh_warnings(run=run, act=bench.act(5))
    warning = CellWarning.objects.get(run=run)
    assert (warning.state, warning.severity) == ("open", "urgent")


def test_refused_acknowledgements(bench, run, unchanged):
    refresh_warnings(run=run, act=bench.act(3))
    warning = CellWarning.objects.get(run=run)
    before = unchanged()
    for reason, code in ((" ", "empty"), ("x" * 201, "too_long")):
        with pytest.raises(InvalidError) as caught:
            acknowledge_warning(warning=warning, reason=reason, act=bench.act(4))
        assert (caught.value.code, caught.value.field) == (code, "reason")
    assert unchanged() == before
    acknowledge_warning(warning=warning, reason="seen", act=bench.act(4))
    with pytest.raises(ConflictError) as conflict:
        acknowledge_warning(warning=warning, reason="seen", act=bench.act(4))
    assert (conflict.value.code, conflict.value.field) == ("already_acknowledged", "warning")
    CellWarning.objects.update(state=CellWarning.State.CLEARED)
    with pytest.raises(ConflictError) as conflict:
        acknowledge_warning(warning=warning, reason="seen", act=bench.act(4))
    assert (conflict.value.code, conflict.value.field) == ("warning_cleared", "warning")


def test_a_jump_of_current_a_torn_bag_and_a_calibration_are_seen(bench, run):
    record_reading(run=run, instruments=Instruments(Decimal(30)), act=bench.act(4))
    record_reading(run=run, instruments=Instruments(Decimal(48)), act=bench.act(5))
    bench.cell.ammeter_calibration_due = dt.date(2026, 4, 1)
    bench.cell.save()
    CellRun.objects.filter(pk=run.pk).update(bag_torn=True)
    found = {finding.code: finding for finding in findings_of(run, bench.act(5).moment)}
    assert found["current_jump"].severity == "urgent"
    assert found["bag_torn"].severity == "urgent"
    assert found["calibration_due"].subject == "ammeter of North"
    assert "fuse_undersized" in found


def test_the_current_is_set_beside_earlier_runs_at_the_same_charge(bench):
    for start in (0, 100, 200):
        run = bench.charged(
            hours=start + 1,
            electrolyte=bench.electrolyte(hours=start),
            takes=[Take(bench.granules(hours=start))],
        )
        run = bench.stopped(run, hours=start + 2)
        bag_slimes(
            run=run, bag=BagTaken(bench.works.places["wet-bench"]), act=bench.act(start + 13)
        )
        harvest_run(run=run, crystal=bench.crystal(), act=bench.act(start + 14))
        close_run(run=run, act=bench.act(start + 15))
    run = bench.charged(
        hours=301,
        electrolyte=bench.electrolyte(hours=300),
        takes=[Take(bench.granules(hours=300))],
    )
    run = start_run(run=run, act=bench.act(302), first=Instruments(Decimal(40)))
    record_reading(run=run, instruments=Instruments(Decimal(20)), act=bench.act(305))
    seen = observed_of(run, bench.act(305).moment)
    assert seen.current_share == pytest.approx(0.5)
    # Earlier runs held 40 A all along.
    assert list(seen.past_shares) == pytest.approx([1.0, 1.0, 1.0])
    assert seen.fineness == pytest.approx(999.0)
    codes = {finding.code for finding in findings_of(run, bench.act(305).moment)}
    assert "current_falls_fast" in codes


def test_a_run_that_is_closed_warns_no_more(bench, run):
    refresh_warnings(run=run, act=bench.act(3))
    CellRun.objects.filter(pk=run.pk).update(state=CellRun.State.CLOSED)
    refresh_warnings(run=run, act=bench.act(4))
    assert standing(run) == {}


def test_before_the_start_and_after_the_harvest_the_book_speaks(bench):
    run = bench.charged(electrolyte=bench.electrolyte(silver="31", copper="20"))
    codes = {finding.code for finding in findings_of(run, bench.act(1).moment)}
    assert "silver_low" in codes


def test_the_works_sets_its_own_thresholds(bench, settings):
    settings.CELL_THRESHOLDS = {"jump_ratio": 3.0, "copper_limit_g_per_l": 10.0}
    limits = thresholds_for(bench.cell)
    assert limits.jump_ratio == 3.0
    # A cell's own limit stands above the works'.
    assert limits.copper_limit_g_per_l == 60.0


def test_warnings_follow_each_step_by_themselves(bench, run):
    assert standing(run) == {"copper_near_limit": "open"}
    record_reading(run=run, instruments=Instruments(Decimal(30)), act=bench.act(4))
    record_reading(run=run, instruments=Instruments(Decimal(48)), act=bench.act(5))
    assert standing(run)["current_jump"] == "open"
    run.refresh_from_db()
    assert run.warnings_at == bench.act(5).moment
    assert list(stale_runs(bench.act(5.2).moment)) == []
    assert list(stale_runs(bench.act(6).moment)) == [run]
    stop_run(run=run, act=bench.act(7))
    bag = BagTaken(bench.works.places["wet-bench"], torn=True, kept_share=Decimal("0.5"))
    bag_slimes(run=run, bag=bag, act=bench.act(8))
    assert standing(run)["bag_torn"] == "open"


def test_step_stands_where_the_rules_can_not_be_tried(bench, run, monkeypatch):
    def refuse(*_: object) -> None:
        raise InvalidError("No anode.", code="empty", field="run", remedy="")

    monkeypatch.setattr(cell_warnings, "findings_of", refuse)
    record_reading(run=run, instruments=Instruments(Decimal(30)), act=bench.act(4))
    assert standing(run) == {"copper_near_limit": "open"}
