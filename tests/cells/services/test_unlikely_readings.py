"""An unlikely figure of a run is asked about, by the API, the page and an import alike."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import Any

import pytest
from django.urls import reverse

from cells.models import CellRun, RunReading
from cells.services.readings import Instruments, record_reading
from cells.services.start_run import start_run
from config.refusals import ConflictError, InvalidError
from lots.measurements.unlikely import Asking, explain_figure
from lots.models import ConfirmedFigure, FigureExplanation
from reports.queries.attention import attention
from tests.builders import row_counts

SAID_AGAIN = Asking(lambda path: True)


@pytest.fixture
def run(bench) -> CellRun:
    """A cell of 9 A with a 12 A fuse, switched on at 8 A."""
    bench.cell = bench.new_cell(
        "south", "south-cell", current_limit_a=Decimal(9), fuse_rating_a=Decimal(12)
    )
    return start_run(run=bench.charged(), act=bench.act(2), first=Instruments(Decimal(8)))


def read(bench, run: CellRun, amperes: str, hours: float = 4, **more: Any) -> RunReading:
    act = bench.act(hours, doubter=more.pop("doubter", Asking()), **more)
    return record_reading(run=run, instruments=Instruments(Decimal(amperes)), act=act)


def test_a_likely_reading_is_recorded_unasked(bench, run):
    assert read(bench, run, "7.8").current_a == Decimal("7.8")
    assert not ConfirmedFigure.objects.exists()


def test_580_a_on_a_9_a_cell_is_asked_about(bench, run, unchanged):
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        read(bench, run, "580")
    refusal = caught.value
    assert (refusal.code, refusal.field) == ("unlikely", "instruments.current_a")
    (question,) = refusal.questions
    assert question["high"] == "9.46 A"
    assert "limit is 9 A, its fuse 12 A" in question["why"]
    assert unchanged() == before


def test_said_again_it_is_recorded_with_who_and_why(bench, run):
    reading = read(bench, run, "11", doubter=SAID_AGAIN)
    kept = ConfirmedFigure.objects.get()
    assert (kept.recorded_model, kept.recorded_pk) == ("cells.RunReading", reading.pk)
    assert (kept.figure, kept.field) == ("11 A", "instruments.current_a")
    assert kept.confirmed_by == bench.works.operator


def test_only_the_figure_that_was_said_again_passes(bench, run, unchanged):
    instruments = Instruments(Decimal(11), voltage_v=Decimal(250))
    before = unchanged()
    said = Asking(lambda path: path.endswith("current_a"))
    with pytest.raises(ConflictError) as caught:
        record_reading(run=run, instruments=instruments, act=bench.act(4, doubter=said))
    assert [each["field"] for each in caught.value.questions] == ["instruments.voltage_v"]
    assert unchanged() == before


def test_what_is_refused_is_refused_before_it_is_asked_about(bench, run):
    with pytest.raises(InvalidError) as caught:
        read(bench, run, "580", hours=1)
    assert caught.value.code == "reading_out_of_order"


def test_a_repeated_request_is_answered_alike_whatever_is_known_since(bench, run):
    first = read(bench, run, "7.8", key="once")
    read(bench, run, "2", hours=5, doubter=SAID_AGAIN)
    assert read(bench, run, "7.8", key="once") == first
    assert read(bench, run, "7.8", key="once", doubter=SAID_AGAIN) == first


def test_a_single_reading_before_the_latest_may_be_of_the_wrong_day(bench, run):
    read(bench, run, "7.8", hours=30)
    with pytest.raises(ConflictError) as caught:
        read(bench, run, "7.9", hours=10)
    (question,) = caught.value.questions
    assert question["field"] == "occurred_at"
    assert question["suggestions"][0]["slip"] == "the day after"


def test_today_says_so_until_someone_explains_it(bench, run, unchanged):
    reading = read(bench, run, "11", doubter=SAID_AGAIN)
    figure = ConfirmedFigure.objects.get()
    (matter,) = (each for each in attention(reading.recorded_at) if each.kind == "figure")
    assert "11 A" in matter.text
    before = unchanged()
    with pytest.raises(InvalidError) as empty:
        explain_figure(figure=figure, explanation=" ", act=bench.act(5))
    assert (empty.value.code, empty.value.field) == ("empty", "explanation")
    assert unchanged() == before
    explain_figure(figure=figure, explanation="set up for an hour", act=bench.act(5))
    assert FigureExplanation.objects.get().figure == figure
    assert not [each for each in attention(reading.recorded_at) if each.kind == "figure"]
    with pytest.raises(ConflictError) as again:
        explain_figure(figure=figure, explanation="again", act=bench.act(5))
    assert (again.value.code, again.value.field) == ("already_explained", "figure")


def test_the_api_answers_409_and_takes_confirm(bench, run, api_as):
    client = api_as(bench.works.operator)
    address = f"/api/v1/runs/{run.code}/readings/"
    sent = {"instruments": {"current_a": "11"}, "occurred_at": bench.act(4).moment.isoformat()}
    before = row_counts()
    answer = client.post(address, sent, format="json")
    problem = answer.json()
    assert (answer.status_code, problem["code"]) == (409, "unlikely")
    assert problem["field"] == "instruments.current_a"
    assert problem["questions"][0]["field"] == "instruments.current_a"
    assert row_counts() == before
    wrong = client.post(address, {**sent, "confirm": "instruments.current_a"}, format="json")
    assert (wrong.status_code, wrong.json()["code"]) == (400, "not_fields")
    other = client.post(address, {**sent, "confirm": ["note"]}, format="json")
    assert other.status_code == 409
    said = client.post(address, {**sent, "confirm": ["instruments.current_a"]}, format="json")
    assert said.status_code == 201
    listed = client.get("/api/v1/confirmed-figures/?open=true").json()["results"]
    assert [each["figure"] for each in listed] == ["11 A"]
    explained = client.post(
        f"/api/v1/confirmed-figures/{listed[0]['id']}/explain/",
        {"explanation": "set up for an hour"},
        format="json",
    )
    assert explained.json()["explanation"] == "set up for an hour"
    assert client.get("/api/v1/confirmed-figures/?open=true").json()["results"] == []


def test_the_page_asks_beside_the_field_and_takes_a_suggestion(bench, run, browse_as):
    client = browse_as(bench.works.operator)
    address = reverse("run-read", args=[run.code])
    sent = {"key": "k", "current_a": "78", "occurred_at": "2026-04-14T14:00"}
    asked = client.post(address, sent)
    page = asked.content.decode()
    assert asked.status_code == 409
    assert 'name="instead" value="current_a=7.8"' in page
    assert "It is right as typed" in page
    assert not RunReading.objects.filter(current_a=78).exists()
    answer = client.post(address, {**sent, "instead": "current_a=7.8"})
    assert answer.status_code == 302
    assert RunReading.objects.filter(current_a=Decimal("7.8")).exists()


def test_the_page_keeps_what_was_confirmed_only_while_it_stands(bench, run, browse_as):
    client = browse_as(bench.works.operator)
    address = reverse("run-read", args=[run.code])
    sent = {"key": "k", "current_a": "11", "voltage_v": "250", "occurred_at": "2026-04-14T14:00"}
    asked = client.post(address, sent).context["form"]
    entries = {
        name: asked.fields[name].questions[0]["entry"] for name in ("current_a", "voltage_v")
    }
    again = client.post(address, {**sent, "confirm": entries["current_a"]})
    assert again.status_code == 409
    assert set(json.loads(again.context["form"].errors.as_json())) == {"voltage_v"}
    assert entries["current_a"] in again.content.decode()
    both = {"confirm": list(entries.values())}
    changed = client.post(address, {**sent, "current_a": "110", **both})
    assert set(json.loads(changed.context["form"].errors.as_json())) == {"current_a"}
    assert client.post(address, {**sent, **both}).status_code == 302
    assert ConfirmedFigure.objects.count() == 2
