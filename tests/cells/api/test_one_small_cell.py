"""A run of one small cell told only what its owner would know, through REST calls alone.

The feed by somebody's word, volumes by the jug, a reading a day, no assay. The run is an invented
one, stepped by a simulator that knows nothing of the product.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pytest

from lots import clock
from tests.studies.estimate.cell_runs import simulate

BEGUN = dt.datetime(2026, 4, 6, 9, 0, tzinfo=dt.UTC)
# Every request it takes: one each, a reading a day, a top-up whenever water is added.
REQUESTS = {
    "cells",
    "electrolytes/prepare",
    "receipts",
    "charge",
    "start",
    "readings",
    "top-up",
    "stop",
    "slimes-bag",
    "harvest",
    "close",
}


def at(hours: float) -> str:
    return (BEGUN + dt.timedelta(hours=float(hours))).isoformat()


def moment(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_the_owner_is_told_holds_the_truth(seed, works, api_as):
    run = simulate(np.random.default_rng(seed), loss="cathode", feed="word", law="layer", fresh=3.0)
    client = api_as(works.manager)
    sent: set[str] = set()

    def post(address: str, body: dict[str, Any]) -> Any:
        sent.add(next(each for each in REQUESTS if address.strip("/").endswith(each)))
        answer = client.post(f"/api/v1/{address}", body)
        # A current that falls away at the end is asked about; it is right as it was read.
        if answer.status_code == 409 and answer.json()["code"] == "unlikely":
            answer = client.post(f"/api/v1/{address}", {**body, "confirm": True})
        assert answer.status_code == 201, (address, answer.content)
        return answer.json()

    def weighed(grams: float) -> dict[str, str]:
        return {"gross": f"{grams:.2f} g", "balance": "bench"}

    hours, current = run.read(24.0, run.end_h)
    with clock.at(BEGUN + dt.timedelta(days=50)):
        limit = f"{current[0] * 1.5:.1f}"
        limits = {"current_limit_a": limit, "fuse_rating_a": limit}
        cell = post("cells/", {"name": "The cell", "bath_volume": "3 L", **limits})["code"]
        bath = post(
            "electrolytes/prepare/",
            {
                "place": "carboys",
                "volume": {"volume": f"{run.volume.value:.3f} L", "standard_uncertainty": "30 mL"},
                "supplies": {"Ag": f"{run.bath['Ag'].value * run.volume.value:.2f} g"},
                "occurred_at": at(-2),
            },
        )["code"]
        word = f"{1000 * run.told_of_feed['Ag'].value:.0f}"
        lot = post(
            "receipts/",
            {
                "party": "tern-quay",
                "owner": "tern-quay",
                "form": "granules",
                "place": "feed-shelf",
                "weight": weighed(run.anode_g),
                "declared": {"Ag": word},
                "occurred_at": at(-2),
            },
        )["code"]
        body = {"electrolyte": bath, "takes": [{"lot": lot}], "occurred_at": at(-1)}
        code = post(f"cells/{cell}/charge/", body)["code"]
        first = {"first": {"current_a": f"{current[0]:.3f}"}, "occurred_at": at(0)}
        post(f"runs/{code}/start/", first)
        for hour, shown in zip(hours[1:], current[1:], strict=True):
            read = {"instruments": {"current_a": f"{shown:.3f}"}, "occurred_at": at(hour)}
            post(f"runs/{code}/readings/", read)
        for each in run.refills:
            water = {
                "volume": {
                    "volume": f"{each.litres * 1000:.1f} mL",
                    "standard_uncertainty": "10 mL",
                },
                "occurred_at": at(each.hours),
            }
            post(f"electrolytes/{bath}/top-up/", water)
        truth, end_h = run.at(run.end_h), run.end_h
        asked = {"as_of": at(0.6 * end_h)}
        end = client.get(f"/api/v1/runs/{code}/forecast/", asked).json()["forecast"]["exhausted"]
        assert moment(end["at_low"]) <= moment(at(end_h)) <= moment(end["at_high"])
        post(f"runs/{code}/stop/", {"occurred_at": at(end_h)})
        body = {"place": "slimes-cabinet", "occurred_at": at(end_h + 1)}
        bag = post(f"runs/{code}/slimes-bag/", body)["code"]
        post(
            f"runs/{code}/harvest/",
            {
                "weight": weighed(truth.plated_g),
                "place": "fine-safe",
                "rinse_count": 6,
                "chloride_clear": True,
                "dry": True,
                "declared": {"Ag": "999.9"},
                "occurred_at": at(end_h + 2),
            },
        )
        post(f"runs/{code}/close/", {"occurred_at": at(end_h + 3)})
        told = client.get(f"/api/v1/runs/{code}/state/").json()
        (waiting,) = client.get("/api/v1/reports/slimes-queue/").json()["bags"]
        account = client.get(f"/api/v1/runs/{code}/summary/").json()["summary"]
    left = 1.0 - run.drag_out_l / truth.volume_l
    for name, true in (
        ("crystal_g", truth.plated_g),
        ("copper_g", truth.copper_g * left),
        ("silver_g", truth.silver_g * left),
    ):
        assert told[name]["low"] <= true <= told[name]["high"], (name, true, told[name])
    gold_ug = 1e6 * run.anode_g * run.made_of["Au"] * truth.dissolved
    assert waiting["bag"] == bag
    gold = waiting["expected"]["Au"]
    assert gold["low"]["ug"] <= gold_ug <= gold["high"]["ug"]
    # Nothing was assayed, so nothing is posted as lost.
    assert account["difference"] == {}
    assert sent | {"top-up"} == REQUESTS
