"""Each request has an id and one line in the log, which holds nothing a customer wrote."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from typing import Any

import pytest
from django.http import StreamingHttpResponse
from django.test import RequestFactory

from config.running import metrics
from config.running.logs import JsonLines
from config.running.request_record import keep_record
from lots.models import Party


@pytest.fixture
def lines() -> Iterator[list[dict[str, Any]]]:
    """What the site logs, as the JSON lines that are written in service."""
    written: list[dict[str, Any]] = []

    class Keep(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            written.append(json.loads(self.format(record)))

    handler = Keep()
    handler.setFormatter(JsonLines())
    root, level = logging.getLogger(), logging.getLogger().level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    yield written
    root.removeHandler(handler)
    root.setLevel(level)


def of_requests(lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [line for line in lines if line["logger"] == "config.requests"]


def test_a_request_is_told_by_route_person_and_cost(api, works, lines):
    answer = api.get("/api/v1/parties/", headers={"X-Request-ID": "quay-2026-0001"})
    assert answer.headers["X-Request-ID"] == "quay-2026-0001"
    (line,) = of_requests(lines)
    assert (line["request_id"], line["route"], line["method"], line["status"]) == (
        "quay-2026-0001",
        "/api/v1/parties/",
        "GET",
        200,
    )
    assert line["statements"] >= 3
    assert line["user"] == works.operator.pk
    assert line["duration_ms"] > 0


@pytest.mark.parametrize("given", ["", "short", "x" * 65, 'a" injected', "new\tline-and-more"])
def test_an_id_that_is_not_well_formed_is_replaced(client, given):
    answer = client.get("/health/live", headers={"X-Request-ID": given})
    assert len(answer.headers["X-Request-ID"]) == 32
    assert answer.headers["X-Request-ID"] != given


def test_a_refusal_is_told_by_its_code_and_without_what_was_written(api, works, lines):
    before = count("refusals_total", code="unknown_filter")
    api.get("/api/v1/lots/", {"customer_secret": "brackwater"})
    (line,) = of_requests(lines)
    assert (line["status"], line["refusals"]) == (400, ["unknown_filter"])
    assert count("refusals_total", code="unknown_filter") == before + 1
    assert "brackwater" not in json.dumps(lines)


def test_no_key_of_a_link_and_no_message_of_an_error_is_logged(client, db, lines, monkeypatch):
    client.get("/shared/the-key-of-the-link/")
    client.get("/no-such-page/isolde/")

    def broken(*_: object) -> object:
        raise ValueError("Brackwater's silver")

    monkeypatch.setattr("lots.people.sign_in.SignIn.get", broken)
    client.raise_request_exception = False
    assert client.get("/sign-in/").status_code == 500
    text = json.dumps(lines)
    assert "ValueError" in text
    assert not [each for each in ("the-key-of", "isolde", "Brackwater") if each in text]
    assert {line["route"] for line in of_requests(lines)} >= {"none", "/sign-in/"}


def test_a_program_is_told_of_any_trouble_as_of_a_refusal(api, works, monkeypatch):
    assert api.get("/api/v1/nonsense/").json()["code"] == "unknown"

    def broken(*_: object, **__: object) -> object:
        raise ValueError("Brackwater's silver")

    monkeypatch.setattr("lots.api.reference.PartyViewSet.list", broken)
    api.raise_request_exception = False
    answer = api.get("/api/v1/parties/")
    assert (answer.status_code, answer.json()["code"]) == (500, "broken")
    assert "Brackwater" not in answer.content.decode()


def test_a_streamed_answer_counts_to_its_last_byte(db, lines):
    def chunks() -> Iterator[bytes]:
        yield b"one"
        yield str(Party.objects.count()).encode()

    answer = keep_record(lambda _: StreamingHttpResponse(chunks()))(RequestFactory().get("/x/"))
    assert of_requests(lines) == []
    assert b"".join(answer) == b"one0"
    assert of_requests(lines)[0]["statements"] == 1


def count(name: str, **labels: str) -> float:
    return metrics._OWN.get_sample_value(name, labels) or 0.0


def test_the_servers_own_lines_leave_out_addresses_and_what_was_sent(lines):
    server = logging.getLogger("waitress")
    server.info("Client disconnected while serving %s" % "/shared/a-key/")  # noqa: UP031
    try:
        raise ValueError("Brackwater")
    except ValueError:
        server.exception("Exception while serving %s" % "/shared/a-key/")  # noqa: UP031
    assert [line["message"] for line in lines] == [
        "Client disconnected while",
        "Exception while",
    ]
    assert not [each for each in ("a-key", "Brackwater") if each in json.dumps(lines)]
