"""The plain network function: answers for the engine's door, refusals that name the place."""

from __future__ import annotations

import copy
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from config.refusals import InvalidError
from reports.statistics.network import solve_network


def exchanger(second=64.45):
    """Heat exchanger with bypass, Narasimhan and Jordache 2000, chapter 1."""
    ends = [
        (None, "splitter"), ("splitter", "exchanger"), ("splitter", "valve"),
        ("exchanger", "mixer"), ("valve", "mixer"), ("mixer", None),
    ]  # fmt: skip
    values = [101.91, second, 34.65, 64.20, 36.44, 98.88]
    return {
        "nodes": ["splitter", "exchanger", "valve", "mixer"],
        "streams": [
            {"name": str(i + 1), "from": start, "to": end} for i, (start, end) in enumerate(ends)
        ],
        "measurements": [
            {"stream": str(i + 1), "value": value, "u": 1} for i, value in enumerate(values)
        ],
    }


def test_a_plain_network():
    answer = solve_network(exchanger())
    reconciled = [round(stream["reconciled"], 2) for stream in answer["streams"]]
    assert reconciled == [100.22, 64.50, 35.72, 64.50, 35.72, 100.22]
    assert answer["global_test"]["statistic"] == pytest.approx(6.4075)
    assert answer["global_test"]["failed"] is False
    assert answer["suspects"] == []
    assert answer["counts"]["redundant"] == 6
    assert json.loads(json.dumps(answer, allow_nan=False)) == answer


def test_a_fault_is_named_in_plain_words():
    payload = exchanger(68.45) | {"unit": "g", "advice": "re-weigh this lot first"}
    answer = solve_network(payload)
    assert [suspect["stream"] for suspect in answer["suspects"]] == ["2"]
    assert answer["suspects"][0]["sentence"] == "2 reads about 4 g high; re-weigh this lot first"
    assert answer["without_suspects"]["statistic"] == pytest.approx(6.40375)


def test_an_unmeasured_stream_and_one_that_cannot_be_known():
    payload = exchanger()
    del payload["measurements"][1]
    payload["nodes"].append("store")
    payload["streams"] += [
        {"name": "a", "from": None, "to": "store"},
        {"name": "b", "from": "store", "to": None},
    ]
    answer = solve_network(payload)
    by_name = {stream["stream"]: stream for stream in answer["streams"]}
    assert by_name["2"]["standing"] == "observable"
    assert by_name["2"]["reconciled"] == pytest.approx(64.525)
    assert by_name["a"]["reconciled"] is None
    assert sorted(answer["undetermined"][0]) == ["a", "b"]


def test_a_covariance_and_a_variance_are_used():
    payload = {
        "nodes": ["n"],
        "streams": [{"name": "in", "to": "n"}, {"name": "out", "from": "n"}],
        "measurements": [
            {"stream": "in", "value": "10", "variance": 4},
            {"stream": "out", "value": 7, "u": 1},
        ],
        "covariances": [{"a": "in", "b": "out", "covariance": 1}],
    }
    answer = solve_network(payload)
    # V = [[4, 1], [1, 1]], r = 3, S = 4 + 1 - 2 = 3: the inlet takes (4 - 1) / 3 of it.
    assert [s["reconciled"] for s in answer["streams"]] == pytest.approx([7.0, 7.0])
    assert answer["global_test"]["statistic"] == pytest.approx(3.0)


def test_a_charge_balance_couples_two_metals():
    """Two silver atoms plate for each copper atom that dissolves: 2 x 107.8682 / 63.546 = 3.395."""
    payload = {
        "nodes": ["silver in solution", "copper in solution"],
        "streams": [
            {"name": "silver plated", "from": "silver in solution"},
            {"name": "silver dissolved", "to": "silver in solution"},
            {"name": "silver taken from solution", "to": "silver in solution"},
            {"name": "copper dissolved", "to": "copper in solution"},
            {"name": "copper gained", "from": "copper in solution"},
        ],
        "measurements": [
            {"stream": "silver plated", "value": 1000, "u": 1},
            {"stream": "copper gained", "value": 20, "u": 0.5},
        ],
        "constraints": [
            {
                "name": "charge",
                "coefficients": {"silver taken from solution": 1, "copper dissolved": "-3.395"},
            }
        ],
    }
    answer = solve_network(payload)
    by_name = {stream["stream"]: stream["reconciled"] for stream in answer["streams"]}
    assert by_name["silver taken from solution"] == pytest.approx(67.9)
    assert by_name["silver dissolved"] == pytest.approx(932.1)


def test_non_negative_holds_a_stream_at_zero():
    payload = exchanger()
    payload["measurements"][2]["value"] = -3
    payload["measurements"][4]["value"] = -3
    for loose in (0, 1, 3, 5):
        payload["measurements"][loose]["u"] = 20
    free = solve_network(payload)
    held = solve_network(payload | {"non_negative": True})
    assert min(s["reconciled"] for s in free["streams"]) < 0
    assert min(s["reconciled"] for s in held["streams"]) == pytest.approx(0, abs=1e-9)
    assert any(s["at_bound"] for s in held["streams"])


def broken(change):
    payload = copy.deepcopy(exchanger())
    change(payload)
    return payload


@pytest.mark.parametrize(
    ("change", "code", "field"),
    [
        (lambda p: p["streams"][1].update({"to": "nowhere"}), "unknown_node", "streams[1].to"),
        (lambda p: p["streams"][1].update({"from": 7}), "unknown_node", "streams[1].from"),
        (lambda p: p["streams"][1].update(name="1"), "duplicate", "streams[1].name"),
        (lambda p: p["streams"][1].update(name=" "), "not_a_name", "streams[1].name"),
        (lambda p: p["streams"][0].update(to=None), "same_ends", "streams[0].to"),
        (lambda p: p["streams"].append(3), "not_an_object", "streams[6]"),
        (lambda p: p.update(streams=[]), "required", "streams"),
        (lambda p: p.pop("nodes"), "required", "nodes"),
        (lambda p: p.update(nodes="abc"), "not_a_list", "nodes"),
        (lambda p: p["nodes"].append("valve"), "duplicate", "nodes[4]"),
        (lambda p: p["measurements"][0].update(u=-1), "negative_variance", "measurements[0].u"),
        (
            lambda p: p["measurements"].__setitem__(
                0, {"stream": "1", "value": 1, "variance": -0.1}
            ),
            "negative_variance",
            "measurements[0].variance",
        ),
        (lambda p: p["measurements"][0].pop("u"), "required", "measurements[0].u"),
        (lambda p: p["measurements"][0].update(variance=1), "required", "measurements[0].u"),
        (
            lambda p: p["measurements"][0].update(value="NaN"),
            "not_a_number",
            "measurements[0].value",
        ),
        (
            lambda p: p["measurements"][0].update(value=float("inf")),
            "not_a_number",
            "measurements[0].value",
        ),
        (
            lambda p: p["measurements"][0].update(value=True),
            "not_a_number",
            "measurements[0].value",
        ),
        (
            lambda p: p["measurements"][0].update(value=None),
            "not_a_number",
            "measurements[0].value",
        ),
        (lambda p: p["measurements"][0].update(value=1e16), "too_large", "measurements[0].value"),
        (lambda p: p["measurements"][0].update(stream="2"), "duplicate", "measurements[1].stream"),
        (
            lambda p: p["measurements"][0].update(stream="9"),
            "unknown_stream",
            "measurements[0].stream",
        ),
        (lambda p: p["measurements"][0].update(u=1e-11), "uneven", "measurements"),
        (lambda p: p.update(measurements=[]), "nothing_measured", "measurements"),
        (
            lambda p: p.update(covariances=[{"a": "1", "b": "2", "covariance": 1.5}]),
            "not_psd",
            "covariances[0].covariance",
        ),
        (
            lambda p: p.update(
                covariances=[
                    {"a": "1", "b": "2", "covariance": 0.9},
                    {"a": "2", "b": "3", "covariance": 0.9},
                    {"a": "1", "b": "3", "covariance": -0.9},
                ]
            ),
            "not_psd",
            "covariances",
        ),
        (
            lambda p: p.update(
                covariances=[
                    {"a": "1", "b": "2", "covariance": 0.9},
                    {"a": "2", "b": "1", "covariance": 0.9},
                ]
            ),
            "duplicate",
            "covariances[1]",
        ),
        (
            lambda p: (
                p["measurements"].pop(0),
                p.update(covariances=[{"a": "1", "b": "2", "covariance": 0.9}]),
            ),
            "not_measured",
            "covariances[0].a",
        ),
        (
            lambda p: p.update(constraints=[{"coefficients": {"9": 1}}]),
            "unknown_stream",
            "constraints[0].coefficients",
        ),
        (
            lambda p: p.update(constraints=[{"coefficients": {}, "value": 1}]),
            "contradiction",
            "constraints",
        ),
        (lambda p: p.update(alpha=2), "out_of_range", "alpha"),
        (lambda p: p.update(non_negative="yes"), "not_a_boolean", "non_negative"),
        (lambda p: p.update(stream=[]), "unknown_field", "stream"),
        (
            lambda p: [m.update(u=0) for m in p["measurements"]],
            "contradiction",
            "measurements",
        ),
    ],
)
def test_refused_with_the_place_named(change, code, field):
    with pytest.raises(InvalidError) as caught:
        solve_network(broken(change))
    assert (caught.value.code, caught.value.field) == (code, field)
    assert caught.value.remedy


def test_too_many_streams_are_refused():
    with pytest.raises(InvalidError) as caught:
        solve_network(exchanger(), streams_max=5)
    assert (caught.value.code, caught.value.field) == ("too_many", "streams")


junk = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=4) | st.integers(-3, 3),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3)
    ),
    max_leaves=6,
)


@settings(max_examples=80, deadline=None)
@given(
    key=st.sampled_from(
        ["nodes", "streams", "measurements", "covariances", "constraints", "alpha", "non_negative"]
    ),
    value=junk,
    place=st.sampled_from(["whole", "first", "name", "u", "value", "to"]),
)
def test_junk_is_refused_and_never_an_accident(key, value, place):
    payload = exchanger()
    if place == "whole" or not isinstance(payload.get(key), list):
        payload[key] = value
    elif place == "first":
        payload[key][0] = value
    elif isinstance(payload[key][0], dict):
        payload[key][0][place] = value
    try:
        answer = solve_network(payload)
    except InvalidError:
        return
    json.dumps(answer, allow_nan=False)
