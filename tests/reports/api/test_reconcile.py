"""Any network through the API: published examples to the printed digits, and what is refused.

Heat exchanger with bypass: S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error
Detection, Gulf 2000, chapter 1. Steam network: R. W. Serth and W. A. Heenan, AIChE Journal 32
(1986) 733. Both read from reprints (E. C. do Valle, public repository
EDSONCV/dr-ged-benchmarks, problems P4 and P15), not from the publications; figures marked
"computed" follow from the published readings and are printed in neither.
"""

from __future__ import annotations

import copy
import json

import pytest

from reports.api.reconcile import COVARIANCES_MAX, EXAMPLE, STREAMS_MAX
from tests.published.test_serth_heenan import MEASURED, NODES, SD, TRANSCRIBED

URL = "/api/v1/reconcile/network/"


@pytest.fixture
def exchanger():
    return copy.deepcopy(EXAMPLE)


@pytest.fixture
def steam():
    ends = {stream: [None, None] for stream in range(1, 29)}
    for node, (inward, outward) in enumerate(NODES, 1):
        for stream in inward:
            ends[stream][1] = f"node {node}"
        for stream in outward:
            ends[stream][0] = f"node {node}"
    return {
        "nodes": [f"node {node}" for node in range(1, 12)],
        "streams": [
            {"name": f"F{stream}", "from": start, "to": end}
            for stream, (start, end) in ends.items()
        ],
        "measurements": [
            {"stream": f"F{stream}", "value": value, "u": u}
            for stream, (value, u) in enumerate(zip(MEASURED, SD, strict=True), 1)
        ],
    }


def test_the_documented_example_gives_the_printed_flows(api, exchanger):
    answer = api.post(URL, exchanger)
    assert answer.status_code == 200
    streams = answer.json()["streams"]
    printed = [100.22, 64.50, 35.72, 64.50, 35.72, 100.22]
    assert [round(each["reconciled"], 2) for each in streams] == printed
    assert answer.json()["suspects"] == []
    assert answer.json()["global_test"]["statistic"] == pytest.approx(6.4075, abs=5e-5)  # computed


def test_the_faulty_reading_is_named(api, exchanger):
    exchanger["measurements"][1]["value"] = "68.45"
    exchanger["unit"] = "kg/s"
    suspects = api.post(URL, exchanger).json()["suspects"]
    assert [each["stream"] for each in suspects] == ["to exchanger"]
    assert suspects[0]["bias"] == pytest.approx(3.925, abs=5e-4)  # computed; the error is 4
    assert "to exchanger" in suspects[0]["sentence"]
    assert "high" in suspects[0]["sentence"]


def test_the_steam_network_agrees_with_the_published_figures(api, steam):
    answer = api.post(URL, steam).json()
    found = [each["reconciled"] for each in answer["streams"]]
    assert found == pytest.approx(TRANSCRIBED, abs=1e-3)
    assert answer["global_test"]["dof"] == 11
    assert answer["global_test"]["statistic"] == pytest.approx(10.685693, abs=5e-7)  # computed


def test_numbers_may_be_text_and_covariances_are_heeded(api, exchanger):
    plain = api.post(URL, exchanger).json()["streams"]
    for each in exchanger["measurements"]:
        each["value"], each["u"] = str(each["value"]), "1"
    assert api.post(URL, exchanger).json()["streams"] == plain
    exchanger["covariances"] = [{"a": "feed", "b": "product", "covariance": 0.5}]
    assert api.post(URL, exchanger).json()["streams"] != plain


def test_an_unmeasured_stream_is_said_to_be_determined_or_not(api, exchanger):
    exchanger["measurements"] = [
        each for each in exchanger["measurements"] if each["stream"] in {"feed", "to valve"}
    ]
    streams = {each["stream"]: each for each in api.post(URL, exchanger).json()["streams"]}
    assert streams["to exchanger"]["reconciled"] == pytest.approx(101.91 - 34.65)
    assert streams["to exchanger"]["measured"] is None
    exchanger["measurements"] = exchanger["measurements"][:1]
    answer = api.post(URL, exchanger).json()
    assert answer["undetermined"]


@pytest.mark.parametrize(
    ("change", "code", "field"),
    [
        ({"nodes": None}, "required", "nodes"),
        ({"streams": []}, "required", "streams"),
        ({"streams": "all"}, "not_a_list", "streams"),
        ({"streems": []}, "unknown_field", "streems"),
        ({"alpha": 0.7}, "out_of_range", "alpha"),
        ({"alpha": "NaN"}, "not_a_number", "alpha"),
        ({"non_negative": "yes"}, "not_a_boolean", "non_negative"),
        ({"nodes": ["a", "a"]}, "duplicate", "nodes[1]"),
        (
            {"streams": [{"name": "x", "from": "nowhere", "to": None}]},
            "unknown_node",
            "streams[0].from",
        ),
        ({"measurements": []}, "nothing_measured", "measurements"),
        (
            {"measurements": [{"stream": "feed", "value": "1e308", "u": 1}]},
            "too_large",
            "measurements[0].value",
        ),
        (
            {"measurements": [{"stream": "feed", "value": 1, "u": -1}]},
            "negative_variance",
            "measurements[0].u",
        ),
        (
            {"measurements": [{"stream": "feed", "value": 1}]},
            "required",
            "measurements[0].u",
        ),
        (
            {"covariances": [{"a": "feed", "b": "product", "covariance": 2}]},
            "not_psd",
            "covariances[0].covariance",
        ),
    ],
)
def test_a_network_at_fault_is_refused_by_name(api, exchanger, change, code, field):
    answer = api.post(URL, {**exchanger, **change})
    problem = answer.json()
    assert (answer.status_code, problem["code"], problem["field"]) == (400, code, field)
    assert problem["message"]
    assert problem["remedy"]


def test_a_network_larger_than_a_request_may_be_is_refused(api, exchanger):
    stream = {"from": None, "to": "splitter"}
    exchanger["streams"] = [{"name": str(n), **stream} for n in range(STREAMS_MAX + 1)]
    answer = api.post(URL, exchanger)
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (
        400,
        "too_many",
        "streams",
    )


def test_more_covariances_than_a_request_may_have_are_refused(api, exchanger):
    exchanger["covariances"] = [{}] * (COVARIANCES_MAX + 1)
    answer = api.post(URL, exchanger)
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (
        400,
        "too_many",
        "covariances",
    )


@pytest.mark.parametrize("text", ["[]", '"network"', "1"])
def test_what_is_no_object_is_refused(api, works, text):
    answer = api.generic("POST", URL, text, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (400, "not_an_object")


def test_nan_in_the_payload_is_refused(api, exchanger):
    text = json.dumps(exchanger).replace("101.91", "NaN")
    answer = api.generic("POST", URL, text, content_type="application/json")
    assert (answer.status_code, answer.json()["code"]) == (400, "not_a_number")


def test_customers_are_turned_away(api_as, works, exchanger):
    assert api_as(works.isolde).post(URL, exchanger).status_code == 403
