"""How sure a month is, through the API: the queries' own figures, and what is refused."""

from __future__ import annotations

import pytest

from reports.conventions import SIGN_CONVENTION
from reports.queries.month.best_estimate import best_estimate
from reports.queries.month.difference_sequence import difference_sequences

APRIL = "/api/v1/reports/months/2026-04"


def test_best_estimates_are_the_querys(api, in_june, april):
    found = best_estimate(april)
    shown = api.get(f"{APRIL}/best-estimate/")
    assert shown.status_code == 200, shown.content
    estimate = shown.json()["estimate"]
    assert [each["book"]["ug"] for each in estimate["holdings"]] == [
        each.book_ug for each in found.holdings
    ]
    assert [each["movement"] for each in estimate["streams"]] == [
        each.movement for each in found.streams
    ]
    assert estimate["dof"] == found.dof
    assert shown.json()["notes"]
    answer = api.get(f"{APRIL}/best-estimate/", {"as": "csv"})
    text = b"".join(answer.streaming_content).decode()
    for holding in estimate["holdings"]:
        assert holding["best"]["g"] in text


def test_what_to_doubt_is_said_in_words(api, in_june, april):
    found = best_estimate(april)
    shown = api.get(f"{APRIL}/doubt/").json()
    assert [each["sentence"] for each in shown["suspicions"]] == [
        each.sentence for each in found.suspicions
    ]
    assert shown["p_value"] == pytest.approx(found.p_value)


def test_differences_come_with_their_limits_of_error_and_their_sign(api, in_june, april):
    found = difference_sequences(april, months=2)
    shown = api.get(f"{APRIL}/differences/", {"months": 2}).json()
    assert shown["signs"] == SIGN_CONVENTION
    assert [(each["metal"], each["area"]) for each in shown["differences"]] == [
        (each.metal, each.area) for each in found
    ]
    for told, each in zip(shown["differences"], found, strict=True):
        assert [month["difference"]["ug"] for month in told["months"]] == [
            round(month.whole.difference) for month in each.months
        ]


@pytest.mark.parametrize(
    ("query", "code", "field"),
    [
        ({"alpha": "0.9"}, "max_value", "alpha"),
        ({"alpha": "nan"}, "invalid", "alpha"),
        ({"as_of": "2026-04-01T00:00:00Z"}, "unknown_filter", "as_of"),
        ({"recorded_as_of": "soon"}, "invalid", "recorded_as_of"),
    ],
)
@pytest.mark.parametrize("address", ["best-estimate", "doubt", "differences"])
def test_what_can_not_be_asked_is_refused_by_name(api, in_june, address, query, code, field):
    answer = api.get(f"{APRIL}/{address}/", query)
    problem = answer.json()
    assert (answer.status_code, problem["code"], problem["field"]) == (400, code, field)
