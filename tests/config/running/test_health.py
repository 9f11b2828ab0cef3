"""The process tells whether it lives and can take requests, and what it has measured."""

from __future__ import annotations

import re
from collections import namedtuple

import pytest
from django.conf import settings as site_settings
from django.db import DatabaseError, connection
from django.db.migrations.recorder import MigrationRecorder

from config.running import health
from tests.builders import receive
from tests.databases import unguarded

ON_POSTGRESQL = connection.vendor == "postgresql"


def test_ready_when_all_is_in_place(client, db, django_assert_max_num_queries):
    with django_assert_max_num_queries(4):
        answer = client.get("/health/ready")
    assert (answer.status_code, answer.json()) == (200, {"ready": True, "reasons": []})
    assert "no-store" in answer.headers["Cache-Control"]


def test_not_ready_before_a_migration_is_applied(client, db):
    MigrationRecorder(connection).record_unapplied("lots", "0002_guards")
    answer = client.get("/health/ready")
    assert (answer.status_code, answer.json()["reasons"]) == (503, ["migrations_pending"])


def test_not_ready_without_the_triggers(client, db):
    with unguarded(connection):
        answer = client.get("/health/ready")
    assert (answer.status_code, answer.json()["reasons"]) == (503, ["triggers_missing"])


def test_not_ready_without_disk_or_database_but_alive(client, db, monkeypatch):
    disk = namedtuple("disk", "total used free")
    monkeypatch.setattr(health.shutil, "disk_usage", lambda _: disk(10, 9, 1))

    def silent() -> list[str]:
        raise DatabaseError("host 10.0.0.7 does not answer")

    monkeypatch.setattr(health, "pending_migrations", silent)
    monkeypatch.setattr(connection, "close", lambda: None)  # the test's own
    answer = client.get("/health/ready")
    assert answer.status_code == 503
    assert answer.json()["reasons"] == ["disk_low", "database_unavailable"]
    assert b"10.0.0.7" not in answer.content
    assert client.get("/health/live").json() == {"live": True}


def measured(client, **extra):
    answer = client.get("/metrics", **extra)
    assert answer.status_code == 200, answer.content
    return dict(re.findall(r"^([^#].*) (\S+)$", answer.content.decode(), re.MULTILINE))


def test_the_ledger_is_measured_as_it_is(client, works, act):
    assert "ledger_movements_total" not in " ".join(measured(client))
    receive(works, act())
    receive(works, act())
    told = measured(client)
    assert told['ledger_movements_total{kind="receipt"}'] == "2.0"
    assert told["ledger_sequence"] == "2.0"
    assert float(told["database_bytes"]) > 100_000
    receive(works, act())
    assert measured(client)['ledger_movements_total{kind="receipt"}'] == "3.0"


def test_requests_are_counted_by_route_and_lock_waits_timed(client, api, works):
    key = 'http_requests_total{method="POST",route="/api/v1/receipts/",status="400"}'
    before = float(measured(client).get(key, 0))
    api.post("/api/v1/receipts/", {})
    told = measured(client)
    assert float(told[key]) == before + 1
    assert 'http_request_seconds_bucket{le="+Inf",method="POST",route="/api/v1/receipts/"}' in told


@pytest.mark.parametrize(
    "extra",
    [
        {"REMOTE_ADDR": "192.0.2.7"},
        {"HTTP_X_FORWARDED_FOR": "192.0.2.7"},
        {"HTTP_FORWARDED": "for=192.0.2.7"},
    ],
)
def test_measures_are_for_this_machine_or_who_holds_the_token(client, db, settings, extra):
    assert client.get("/metrics", **extra).status_code == 404
    settings.METRICS_TOKEN = "a-long-token"
    assert client.get("/metrics").status_code == 404
    assert client.get("/metrics", HTTP_AUTHORIZATION="Bearer a-wrong-token").status_code == 404
    assert measured(client, HTTP_AUTHORIZATION="Bearer a-long-token", **extra)


def test_the_settings_hold_the_database_to_what_the_ledger_needs():
    options = site_settings.DATABASES["default"]["OPTIONS"]
    if ON_POSTGRESQL:
        assert options["connect_timeout"] == 5
    else:
        assert options["transaction_mode"] == "IMMEDIATE"
