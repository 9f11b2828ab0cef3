"""What the cells answer through the API: accounts, forecasts, plans, and what they refuse."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from cells.models import CellRun, SlimesBag
from cells.queries.run_summary import run_summary
from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from tests.builders import row_counts
from tests.cells.conftest import Bench


@pytest.fixture
def bench(works: SimpleNamespace) -> Bench:
    return Bench(works)


@pytest.fixture
def closed(bench: Bench) -> CellRun:
    run = bench.stopped()
    bag_slimes(run=run, bag=BagTaken(place=bench.works.places["slimes-cabinet"]), act=bench.act(13))
    harvest_run(run=run, crystal=bench.crystal(), act=bench.act(14))
    return close_run(run=run, act=bench.act(15))


def problem(answer: Any) -> tuple[int, str, str | None]:
    told = answer.json()
    return answer.status_code, told["code"], told["field"]


def test_a_run_is_summarised_as_the_query_has_it(api, closed):
    shown = api.get(f"/api/v1/runs/{closed.code}/summary/").json()
    found = run_summary(closed)
    assert shown["summary"]["charged"]["Ag"]["ug"] == found.charged["Ag"]
    assert shown["summary"]["difference"] == {}
    bath = shown["summary"]["electrolyte_out"]["metals"]["Ag"]["ug"]
    assert bath == found.electrolyte_out.metals["Ag"]
    assert shown["summary"]["difference_percent"] == str(found.difference_percent)
    assert "book less what was found" in shown["signs"]
    before = api.get(f"/api/v1/runs/{closed.code}/summary/", {"as_of": "2026-04-14T11:30:00Z"})
    assert before.json()["summary"]["crystal"] is None


def test_the_bowl_and_the_forecast_of_a_running_cell(api, bench):
    run = bench.stopped()
    bowl = api.get(f"/api/v1/runs/{run.code}/state/").json()
    assert bowl["charge_ah"]["value"] == pytest.approx(400, rel=0.02)
    assert 0 < bowl["crystal_g"]["low"] < bowl["crystal_g"]["high"]
    assert [each["metal"] for each in bowl["beside_book"]] == ["Ag", "Cu", "Pd"]
    told = api.get(f"/api/v1/runs/{run.code}/forecast/").json()
    assert told["now"] == bowl
    assert told["forecast"]["state"] == "forecast"
    asked = {"moment": bench.act(9).moment.isoformat()}
    then = api.get(f"/api/v1/runs/{run.code}/forecast/", asked).json()["forecast"]["at_moment"]
    assert 0 < then["crystal_g"]["value"] < bowl["crystal_g"]["value"]


def test_a_run_that_never_started_has_no_state(api, bench):
    run = bench.charged()
    for question in ("state", "forecast"):
        assert problem(api.get(f"/api/v1/runs/{run.code}/{question}/")) == (
            409,
            "run_not_started",
            "run",
        )


def test_an_electrolyte_is_shown_in_grams_and_grams_per_litre(api, bench):
    batch = bench.electrolyte()
    shown = api.get(f"/api/v1/electrolytes/{batch.lot.code}/state/").json()
    assert shown["batch"] == batch.lot.code
    assert shown["metals"]["Ag"]["g"] == "720.000000"
    assert shown["g_per_l"] == {"Ag": "60.0000", "Cu": "20.0000"}
    assert shown["volume"]["l"] == "12"


def test_a_make_up_is_planned_with_its_cautions(api, bench):
    batch = bench.electrolyte()
    address = f"/api/v1/electrolytes/{batch.lot.code}/make-up-plan/"
    wanted = {
        "volume_l": "14",
        "silver_g_per_l": "60",
        "acid_mol_per_l": "0.1",
        "acid_percent": "65",
    }
    shown = api.get(address, wanted).json()
    assert shown["plan"]["chosen"]["silver_g"] == pytest.approx(120)  # 2 L more at 60 g/L
    assert any("acid into water" in line for line in shown["cautions"])
    less = api.get(address, {**wanted, "silver_g_per_l": "40"})
    assert problem(less)[:2] == (400, "needs_removal")
    assert problem(api.get(address, {**wanted, "volume_l": "NaN"})) == (
        400,
        "invalid",
        "volume_l",
    )
    assert problem(api.get(address, {})) == (400, "required", "volume_l")


def test_a_bleed_is_planned_by_volume_or_by_level(api, bench):
    batch = bench.electrolyte()
    address = f"/api/v1/electrolytes/{batch.lot.code}/bleed-plan/"
    by_volume = api.get(address, {"volume_l": "2"}).json()
    assert by_volume["bleed"]["silver_g"] == pytest.approx(120)
    level = {"hold_copper_g_per_l": "40", "copper_per_use_g": "100"}
    assert api.get(address, level).json()["bleed"]["copper_g"] > 0
    assert problem(api.get(address, {})) == (400, "one_of_two", "volume_l")
    assert problem(api.get(address, {"hold_copper_g_per_l": "40"})) == (
        400,
        "required",
        "copper_per_use_g",
    )


def test_a_charge_is_planned_from_what_is_on_hand(api, works):
    bench = Bench(works)
    cell = bench.new_cell("south", "south-cell", basket_ug_max=1_600_000_000)
    batch, lot = bench.electrolyte(), bench.granules()
    address = f"/api/v1/cells/{cell.code}/feed-plan/"
    shown = api.get(address, {"electrolyte": batch.lot.code}).json()
    assert (shown["state"], shown["takes"][0]["lot"]) == ("planned", lot.code)
    assert problem(api.get(address, {})) == (400, "required", "electrolyte")
    missing = api.get(address, {"electrolyte": "EL26-9999-9"})
    assert problem(missing)[:2] == (404, "unknown")
    unknown = api.get("/api/v1/cells/north/feed-plan/", {"electrolyte": batch.lot.code})
    assert problem(unknown) == (409, "basket_unknown", "cell")


def test_the_queue_lists_waiting_bags_and_recovery_ends_their_wait(api, closed, works):
    bag = SlimesBag.objects.get()
    queue = api.get("/api/v1/reports/slimes-queue/").json()
    assert [(each["bag"], each["expected"]["Au"]["mass"]["ug"] > 0) for each in queue["bags"]] == [
        (bag.lot.code, True)
    ]
    body = {"bags": [bag.lot.code], "place": "wet-bench"}
    begun = api.post("/api/v1/recoveries/", body)
    assert begun.status_code == 201
    assert begun.json()["cautions"]
    assert problem(api.post("/api/v1/recoveries/", body)) == (409, "bag_not_waiting", "bags.0")
    finish = f"/api/v1/recoveries/{begun.json()['code']}/finish/"
    assert problem(api.post(finish)) == (400, "nothing_recovered", "batch")


@pytest.mark.parametrize(
    ("body", "status", "code", "field"),
    [
        ({"bags": [], "place": "wet-bench"}, 400, "nothing_taken", "bags"),
        ({"bags": ["SB26-9999-9"], "place": "wet-bench"}, 400, "does_not_exist", "bags.0"),
        ({"place": "wet-bench"}, 400, "required", "bags"),
    ],
)
def test_a_recovery_of_nothing_is_refused(api, works, body, status, code, field):
    before = row_counts()
    assert problem(api.post("/api/v1/recoveries/", body)) == (status, code, field)
    assert row_counts() == before


def test_a_warning_is_acknowledged_with_a_reason(api, bench):
    run = bench.stopped()  # 40 A and a fuse of 50 A: some rule finds something
    run.cell.fuse_rating_a = 41
    run.cell.save()
    assert api.post(f"/api/v1/runs/{run.code}/warnings/").status_code == 201
    listed = api.get("/api/v1/cell-warnings/", {"run": run.code, "state": "open"}).json()
    warning = listed["results"][0]
    address = f"/api/v1/cell-warnings/{warning['id']}/acknowledge/"
    assert problem(api.post(address)) == (400, "required", "reason")
    seen = api.post(address, {"reason": "the fuse is changed tonight"})
    assert (seen.status_code, seen.json()["state"]) == (201, "acknowledged")
    assert problem(api.post(address, {"reason": "again"})) == (
        409,
        "already_acknowledged",
        "warning",
    )


def test_a_question_with_a_parameter_nobody_knows_is_refused(api, closed):
    for address in (
        f"runs/{closed.code}/summary/",
        f"runs/{closed.code}/state/",
        f"electrolytes/{closed.electrolyte.lot.code}/state/",
        "reports/slimes-queue/",
    ):
        answer = api.get(f"/api/v1/{address}", {"asof": "x"})
        assert problem(answer) == (400, "unknown_filter", "asof")
        answer = api.get(f"/api/v1/{address}", {"as_of": "soon"})
        assert problem(answer) == (400, "invalid", "as_of")


def test_a_summary_takes_a_fixed_number_of_queries(api, closed):
    with CaptureQueriesContext(connection) as captured:
        api.get(f"/api/v1/runs/{closed.code}/summary/")
    assert len(captured) < 15
