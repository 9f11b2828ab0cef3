"""The warnings: each rule just inside and just outside its limit, with basis and figures."""

import pytest

from cells.electrochemistry.estimated import Estimate
from cells.warnings import MEASURED, PHYSICS, PRACTICE, Observed, Thresholds, evaluate
from config.refusals import InvalidError


def _one(**figures):
    found = evaluate(Observed(**figures))
    assert len(found) == 1, found
    return found[0]


def test_quiet_cell_has_no_findings():
    quiet = Observed(
        copper_g_per_l=Estimate(30, 1),
        silver_g_per_l=Estimate(90, 2),
        palladium_g_per_l=Estimate(0.05, 0.01),
        current_a=10.0,
        current_before_a=10.2,
        hours_between=1.0,
        current_share=0.8,
        past_shares=(0.78, 0.8, 0.82),
        fuse_a=16.0,
        lead_rating_a=25.0,
        silver_since_cleared_g=500.0,
        cathode_cm2=600.0,
        clearance_mm=60.0,
        fineness=999.5,
        gold_ppm=1.0,
        calibration_days={"balance B-1": 90},
    )
    assert evaluate(quiet) == []
    assert evaluate(Observed()) == []


@pytest.mark.parametrize(
    ("copper", "severity"),
    [
        (Estimate(60.0), "urgent"),
        (Estimate(51.0), "warning"),
        # 50 + 1.645 x 7 = 61.5: it may be past the limit already.
        (Estimate(50.0, 7.0), "warning"),
    ],
)
def test_copper_near_its_limit(copper, severity):
    found = _one(copper_g_per_l=copper)
    assert (found.code, found.severity, found.basis) == ("copper_near_limit", severity, PRACTICE)
    assert (found.value, found.limit, found.unit) == (copper.value, 60.0, "g/L")


def test_copper_below_its_share_is_silent():
    assert evaluate(Observed(copper_g_per_l=Estimate(50.9, 1.0))) == []


@pytest.mark.parametrize(
    ("silver", "severity"),
    [(Estimate(30.0), "urgent"), (Estimate(37.0), "warning"), (Estimate(40.0, 7.0), "warning")],
)
def test_silver_low(silver, severity):
    found = _one(silver_g_per_l=silver)
    assert (found.code, found.severity, found.limit) == ("silver_low", severity, 30.0)


@pytest.mark.parametrize(("palladium", "severity"), [(0.5, "urgent"), (0.3, "warning")])
def test_palladium_building_up(palladium, severity):
    found = _one(palladium_g_per_l=Estimate(palladium))
    assert (found.code, found.severity) == ("palladium_building_up", severity)


def test_current_jump_says_switch_off():
    found = _one(current_a=6.0, current_before_a=4.0, hours_between=0.5)
    assert (found.code, found.severity, found.basis) == ("current_jump", "urgent", PHYSICS)
    assert (found.value, found.limit) == (6.0, 6.0)
    assert "Switch off" in found.message


def test_slow_rise_and_start_from_zero_are_no_jump():
    assert evaluate(Observed(current_a=6.0, current_before_a=4.0, hours_between=2.1)) == []
    assert evaluate(Observed(current_a=6.0, current_before_a=0.0, hours_between=0.5)) == []


def test_current_falling_faster_than_history():
    # Mean 0.8, standard deviation 0.02, four runs: 0.8 - 2 x 0.02 x sqrt(1.25) = 0.75528.
    shares = (0.78, 0.8 - 0.01, 0.81, 0.82)
    mean = sum(shares) / 4
    sd = (sum((share - mean) ** 2 for share in shares) / 3) ** 0.5
    found = _one(current_share=0.7, past_shares=shares)
    assert (found.code, found.basis) == ("current_falls_fast", MEASURED)
    assert found.limit == pytest.approx(mean - 2 * sd * 1.25**0.5)
    assert evaluate(Observed(current_share=found.limit + 0.001, past_shares=shares)) == []


def test_history_of_two_runs_judges_nothing():
    assert evaluate(Observed(current_share=0.1, past_shares=(0.8, 0.81))) == []


@pytest.mark.parametrize(
    ("fuse", "code", "limit"), [(12.0, "fuse_undersized", 12.5), (21.0, "fuse_oversized", 20.0)]
)
def test_fuse_against_current(fuse, code, limit):
    found = _one(current_a=10.0, fuse_a=fuse)
    assert (found.code, found.limit, found.basis) == (code, limit, PRACTICE)


def test_fuse_above_the_leads_is_urgent():
    found = _one(fuse_a=30.0, lead_rating_a=25.0)
    assert (found.code, found.severity, found.basis) == ("fuse_oversized", "urgent", PHYSICS)


@pytest.mark.parametrize(
    ("plated", "severity", "height"), [(2100.0, "warning", 35.0), (3000.0, "urgent", 50.0)]
)
def test_run_longer_than_the_clearance_allows(plated, severity, height):
    # 2100 g at 1 g/cm3 on 600 cm2 stand 3.5 cm high; the basket hangs at 5 cm.
    found = _one(silver_since_cleared_g=plated, cathode_cm2=600.0, clearance_mm=50.0)
    assert (found.code, found.severity) == ("clearance_used_up", severity)
    assert (found.value, found.limit) == (pytest.approx(height), 50.0)


def test_fineness_risk_from_harvest_solution_and_current():
    seen = Observed(
        fineness=998.5,
        silver_g_per_l=Estimate(40),
        copper_g_per_l=Estimate(45),
        current_a=25.0,
        cathode_cm2=600.0,
    )
    found = evaluate(seen)
    assert [(item.code, item.subject) for item in found] == [
        ("fineness_risk", "last harvest"),
        ("fineness_risk", "silver to copper"),
        ("fineness_risk", "current density"),
    ]
    assert [item.basis for item in found] == [MEASURED, PRACTICE, PRACTICE]


def test_torn_bag_seen_or_shown_by_gold():
    assert _one(bag_torn=True).code == "bag_torn"
    found = _one(gold_ppm=12.0)
    assert (found.code, found.basis, found.limit) == ("bag_torn", PHYSICS, 5.0)


def test_calibration_due_and_overdue():
    found = evaluate(Observed(calibration_days={"B-1": -1, "A-2": 14, "C-3": 15}))
    assert [(item.subject, item.severity) for item in found] == [
        ("B-1", "warning"),
        ("A-2", "notice"),
    ]


def test_most_urgent_comes_first():
    seen = Observed(
        calibration_days={"B-1": 3}, copper_g_per_l=Estimate(52), silver_g_per_l=Estimate(60),
        bag_torn=True,
    )  # fmt: skip
    assert [item.severity for item in evaluate(seen)] == ["urgent", "warning", "notice"]


def test_thresholds_are_the_works_own():
    strict = Thresholds(copper_limit_g_per_l=20.0)
    assert evaluate(Observed(copper_g_per_l=Estimate(25)), strict)[0].limit == 20.0


@pytest.mark.parametrize(
    ("figures", "code", "field"),
    [
        ({"current_a": -1.0}, "too_small", "current_a"),
        ({"fuse_a": 0.0}, "too_small", "fuse_a"),
        ({"clearance_mm": float("nan")}, "not_a_number", "clearance_mm"),
        ({"past_shares": (-0.1,)}, "too_small", "past_shares"),
    ],
)
def test_impossible_figures_are_refused(figures, code, field):
    with pytest.raises(InvalidError) as refusal:
        evaluate(Observed(**figures))
    assert (refusal.value.code, refusal.value.field) == (code, field)


def test_impossible_thresholds_are_refused():
    with pytest.raises(InvalidError) as refusal:
        Thresholds(jump_ratio=0.0)
    assert (refusal.value.code, refusal.value.field) == ("too_small", "thresholds.jump_ratio")
