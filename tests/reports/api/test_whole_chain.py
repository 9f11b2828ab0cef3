"""A lot from the door to its settlement through REST calls alone, as the bench would send them.

The day's figures are those of the cells' plain chain: 1 000 g of a customer's granules and 500 g of
the house's through one run of a cell.
"""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pytest
from django.core.management import call_command

from lots import clock

JUNE = dt.datetime(2026, 6, 2, 12, 0, tzinfo=dt.UTC)
DAY_ONE = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC)


class Caller:
    """Sends requests; what is not answered as expected fails with the answer in view."""

    def __init__(self, clients: dict[str, Any]) -> None:
        self.clients = clients

    def post(self, address: str, body: Any = None, who: str = "operator", status: int = 201) -> Any:
        answer = self.clients[who].post(f"/api/v1/{address}", body or {})
        assert answer.status_code == status, (address, answer.content)
        return answer.json()

    def get(self, address: str, who: str = "operator", status: int = 200, **query: Any) -> Any:
        answer = self.clients[who].get(f"/api/v1/{address}", query)
        assert answer.status_code == status, (address, answer.content)
        return answer.json()


@pytest.fixture
def call(works: SimpleNamespace, api_as: Any) -> Any:
    people = ("operator", "assayer", "accountant", "manager", "isolde", "dane")
    with clock.at(JUNE):
        yield Caller({name: api_as(getattr(works, name)) for name in people})


def at(hours: float) -> str:
    return (DAY_ONE + dt.timedelta(hours=hours)).isoformat()


def weighed(grams: str) -> dict[str, str]:
    return {"gross": f"{grams} g", "balance": "bench"}


def found(basis: str = "ppt", u: str = "0.2", **results: str) -> dict[str, Any]:
    return {
        "method": "icp_oes",
        "laboratory": "quay-lab",
        "basis": basis,
        "results": {
            metal: {"value": value, "standard_uncertainty": u} for metal, value in results.items()
        },
    }


def test_from_the_door_to_the_settlement(call: Caller) -> None:
    call.post(
        "cells/",
        {
            "code": "north",
            "name": "North",
            "place": "north-cell",
            "bath_volume": "12 L",
            "current_limit_a": "60",
            "fuse_rating_a": "50",
            "basket_max": "3 kg",
        },
        who="manager",
    )
    terms = {
        "currency": "EUR",
        "settle_in": "metal",
        "weight_basis": "after_melt",
        "metals": [
            {"metal": "Ag", "splitting_limit_ppt": "1", "accountability": [{"percent": "99"}]}
        ],
        "treatment": [{"per_kg": "40"}],
    }
    call.post(
        "terms/record/",
        {"customer": "brackwater", "content": terms, "valid_from": "2026-01-01"},
        who="manager",
    )
    electrolyte = call.post(
        "openings/electrolytes/",
        {
            "place": "carboys",
            "measurement": {
                "volume": {"volume": "12 l", "standard_uncertainty": "20 ml"},
                "assay": found("g_per_l", Ag="60", Cu="20"),
            },
            "occurred_at": at(0),
        },
        who="manager",
    )["code"]

    # Receive and melt; the customer and the house assay; the house's rules.
    received = call.post(
        "receipts/",
        {
            "party": "brackwater",
            "owner": "brackwater",
            "form": "feed",
            "place": "feed-shelf",
            "weight": weighed("1004"),
            "declared": {"Ag": "925", "Cu": "70"},
            "occurred_at": at(0),
        },
    )["code"]
    melted = call.post(
        f"lots/{received}/melt/",
        {
            "form": "granules",
            "place": "melt-bench",
            "weight": weighed("1000"),
            "occurred_at": at(1),
        },
    )
    assert melted["cautions"]
    granules = melted["code"]
    house = {**found(Ag="925", Cu="70", Au="2", Pd="1")}
    assay = call.post(
        f"lots/{granules}/assays/", {"assay": house, "occurred_at": at(2)}, who="assayer"
    )
    call.post(
        f"lots/{granules}/assays/",
        {"assay": {**found(Ag="925.4"), "side": "counterparty"}, "occurred_at": at(2)},
        who="assayer",
    )
    call.post(
        f"assays/{assay['id']}/rule/",
        {"reason": "the house's melt sample", "occurred_at": at(2.1)},
        who="assayer",
    )
    assert call.get(f"lots/{granules}/")["metals"]["Ag"]["ug"] == 925_000_000
    own = call.post(
        "receipts/",
        {
            "party": "tern-quay",
            "owner": "tern-quay",
            "form": "granules",
            "place": "feed-shelf",
            "weight": weighed("500"),
            "declared": {"Ag": "900", "Cu": "95"},
            "occurred_at": at(2.2),
        },
    )["code"]

    plan = call.get("cells/north/feed-plan/", electrolyte=electrolyte, as_of=at(2.5))
    assert plan["state"] in {"planned", "infeasible"}

    # Charge, run, stop.
    run = call.post(
        "cells/north/charge/",
        {
            "electrolyte": electrolyte,
            "takes": [{"lot": granules}, {"lot": own}],
            "occurred_at": at(3),
        },
    )["code"]
    call.post(f"runs/{run}/start/", {"first": {"current_a": "40"}, "occurred_at": at(4)})
    call.post(f"runs/{run}/readings/", {"instruments": {"current_a": "40"}, "occurred_at": at(9)})
    bowl = call.get(f"runs/{run}/state/", as_of=at(9))
    assert bowl["charge_ah"]["value"] == pytest.approx(200, rel=0.02)
    assert call.get(f"runs/{run}/forecast/", as_of=at(9))["forecast"]["state"] == (
        "too_few_readings"
    )
    call.post(f"runs/{run}/stop/", {"last": {"current_a": "40"}, "occurred_at": at(14)})

    # Remnant, bag, harvest, close.
    remnant = call.post(
        f"runs/{run}/remnant/",
        {"weight": weighed("150"), "place": "feed-shelf", "occurred_at": at(15)},
    )
    assert remnant["metals"]["Ag"]["ug"] == 137_500_000
    bag = call.post(f"runs/{run}/slimes-bag/", {"place": "slimes-cabinet", "occurred_at": at(16)})
    crystal = call.post(
        f"runs/{run}/harvest/",
        {
            "weight": weighed("1500"),
            "place": "fine-safe",
            "rinse_count": 6,
            "chloride_clear": True,
            "dry": True,
            "declared": {"Ag": "999"},
            "occurred_at": at(22),
        },
    )["lot"]
    call.post(f"runs/{run}/close/", {"occurred_at": at(24)})
    account = call.get(f"runs/{run}/summary/")
    assert account["summary"]["charged"]["Ag"]["ug"] == 1_375_000_000
    assert account["summary"]["crystal"]["silver_weighed"]["ug"] == 1_498_500_000
    assert "found" in account["signs"]
    assert call.get(f"electrolytes/{electrolyte}/state/")["uses"][0]["run_code"] == run

    # The bag waits, and is recovered.
    queue = call.get("reports/slimes-queue/")
    assert [each["bag"] for each in queue["bags"]] == [bag["code"]]
    recovery = call.post(
        "recoveries/", {"bags": [bag["code"]], "place": "wet-bench", "occurred_at": at(30)}
    )["code"]
    call.post(
        f"process-batches/{recovery}/outputs/",
        {
            "output": {
                "form": "fine_gold",
                "place": "fine-safe",
                "weight": weighed("1.7"),
                "declared": {"Au": "995"},
            },
            "occurred_at": at(40),
        },
    )
    call.post(f"recoveries/{recovery}/finish/", {"occurred_at": at(41)})
    outcomes = call.get("recovery-outcomes/", bag=bag["code"], metal="Au")["results"]
    assert outcomes[0]["recovered"]["g"] == "1.691500"
    assert call.get("reports/slimes-queue/")["bags"] == []

    # Count the fine safe, close the month with a second person.
    call.post("months/2026-05/begin/", who="accountant")
    sheet = call.post("months/2026-05/count-sheets/", {"place": "fine-safe"}, who="accountant")
    lots = [line["lot"] for line in sheet["lines"]]
    assert crystal in lots
    assert {line["metals"] for line in sheet["lines"]} == {None}
    for lot in lots:
        count = {"weight": weighed("1499")} if lot == crystal else {"sighted": True}
        call.post(f"count-sheets/{sheet['code']}/counts/", {"lot": lot, **count})
    counted = call.get(f"count-sheets/{sheet['code']}/")
    line = next(line for line in counted["lines"] if line["lot"] == crystal)
    assert line["metals"][0]["difference"]["g"] == "0.999000"
    call.post(
        f"count-sheets/{sheet['code']}/propose/",
        {"causes": {crystal: "spillage"}},
        who="accountant",
    )
    call.post(f"count-sheets/{sheet['code']}/approve/", who="manager")
    call.post("months/2026-05/prepare/", who="accountant")
    assert (
        call.post("months/2026-05/approve/", who="accountant", status=403)["code"] == "same_person"
    )
    call.post("months/2026-05/approve/", who="manager")
    closed = call.post("months/2026-05/close/", who="manager")
    assert (closed["state"], len(closed["statement_digest"])) == ("closed", 64)
    late = call.post(
        f"lots/{crystal}/transfer/", {"place": "quarantine", "occurred_at": at(50)}, status=409
    )
    assert late["code"] == "month_closed"
    month = call.get("reports/months/2026-05/")
    silver = next(each for each in month["metals"] if each["metal"] == "Ag")
    assert silver["difference"]["ug"] == silver["adjusted"]["ug"] == 999_000
    assert any("book less physical" in note for note in month["notes"])

    # The customer asks; the office settles; the customer reads the statement.
    answer = call.get(f"lots/{received}/answer/", who="isolde")
    silver = next(each for each in answer["metals"] if each["metal"] == "Ag")
    assert sum(each["ug"] for each in silver["where"].values()) == silver["entered"]["ug"]
    back = call.get(f"lots/{crystal}/trace/", direction="back")
    assert (
        sum(share["mass"]["ug"] for share in back["shares"] if share["metal"] == "Ag")
        == back["total"]["Ag"]["ug"]
    )
    settlement = call.post(f"lots/{received}/settlements/", {"kind": "final"}, who="accountant")
    assert settlement["state"] == "draft"
    supposed = call.post(
        f"settlements/{settlement['code']}/what-if/", {"weight_g": "900"}, status=200
    )
    assert supposed["changes"]
    call.post(f"settlements/{settlement['code']}/approve/", who="manager")
    statement = call.get(f"settlements/{settlement['code']}/statement/", who="isolde")
    # 1 000 g x 925.2 (the mean of the two results) x 99 %.
    assert statement["payable"][0]["mass"]["g"] == "915.948000"
    assert statement["lines"][0]["line"]["evidence"]
    span: dict[str, Any] = {"from_date": "2026-05-01", "to_date": "2026-06-30"}
    owed = call.get("reports/accounts/brackwater/", who="isolde", **span)
    silver = next(each for each in owed["metals"] if each["metal"] == "Ag")
    assert silver["closing"]["g"] == "915.948000"
    question = call.post(
        f"lots/{received}/questions/", {"question": "Where is my lot?"}, who="accountant"
    )
    assert question["draft"]
    call.post(
        f"settlement-questions/{question['id']}/answer/",
        {"reply": question["draft"]},
        who="accountant",
    )
    call_command("check_ledger", verbosity=0)
