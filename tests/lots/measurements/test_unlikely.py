"""What is asked about is declared on the event, by a function that takes what its service takes."""

from __future__ import annotations

from dataclasses import replace
from inspect import Parameter, signature
from typing import Any

import pytest

from config.refusals import ConflictError
from lots.declaration.event import Event, events_of
from lots.measurements.assays import record_assay
from lots.measurements.unlikely import Asking
from lots.models import Lot
from tests.builders import row_counts

HELD = [each for app in ("lots", "cells", "reports") for each in events_of(app) if each.likely]


@pytest.mark.parametrize("event", HELD, ids=lambda event: event.service.__name__)
def test_what_holds_figures_takes_what_the_service_takes(event: Event) -> None:
    assert event.likely is not None
    asked = signature(event.service).parameters
    needed = {name for name, each in asked.items() if each.default is Parameter.empty}
    signature(event.likely).bind(**dict.fromkeys(needed))
    signature(event.likely).bind(**dict.fromkeys(asked))


def problem_of(answer: Any) -> dict[str, Any]:
    assert answer.status_code == 409, answer.content
    problem: dict[str, Any] = answer.json()
    assert problem["code"] == "unlikely"
    return problem


def test_a_lot_weighed_again_far_from_its_last_is_asked_about(api, received):
    lot = received(1000)
    address = f"/api/v1/lots/{lot.code}/weighings/"
    sent = {"weight": {"gross": "10004 g", "balance": "bench"}, "purpose": "check"}
    before = row_counts()
    with_slip = {**sent, "weight": {"gross": "104.2 g", "balance": "bench"}}
    problem = problem_of(api.post(address, with_slip))
    assert problem["field"] == "weight.gross"
    assert row_counts() == before
    assert api.post(address, {**with_slip, "confirm": True}).status_code == 201
    ounces = {**sent, "weight": {"gross": "32.15 g", "balance": "bench"}}
    (question,) = problem_of(api.post(address, ounces))["questions"]
    assert {"text": "32.15 ozt", "slip": "unit", "unit": ""} in question["suggestions"]


def test_a_fraction_is_asked_about_at_the_door_and_put_right_by_a_press(browse_as, works):
    client = browse_as(works.operator)
    sent = {
        "key": "k", "party": works.brackwater.pk, "form": "granules",
        "place": works.places["feed-shelf"].pk, "gross": "1000 g", "balance": works.balance.pk,
        "declared-Ag": "0.925",
    }  # fmt: skip
    asked = client.post("/receive/", sent)
    assert asked.status_code == 409
    assert 'name="instead" value="declared-Ag=925"' in asked.content.decode()
    assert client.post("/receive/", {**sent, "instead": "declared-Ag=925"}).status_code == 302
    assert Lot.objects.get().standings.exists()


def test_an_assay_in_per_cent_is_asked_about(received, act, report):
    lot, doubting = received(1000), replace(act(2), doubter=Asking())
    with pytest.raises(ConflictError) as caught:
        record_assay(lot=lot, report=report({"Ag": "92.3"}), act=doubting)
    (question,) = caught.value.questions
    assert question["field"] == "assay.results.Ag"
    assert question["suggestions"][0]["text"] == "923"
