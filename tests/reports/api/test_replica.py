"""Reports read a second database that may be behind; they say how far it goes, and write nothing.

The replica of these tests is a copy that stands still, so that it shows what is read where.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest
from django.db import DatabaseError, connection, connections
from rest_framework.test import APIClient

from config.replica import REPLICA, reading_replica
from lots.models import Lot, Party
from reports.models import AccessRecord
from tests.builders import receive

INVENTORY = "/api/v1/reports/inventory/"


def copy_of_the_books(folder: Any) -> dict[str, Any]:
    """A database with what the test's has now, which takes no writing."""
    first = connection.settings_dict
    name = f"{first['NAME']}_replica"
    if connection.vendor == "sqlite":
        with closing(sqlite3.connect(folder / "replica")) as target:
            connection.ensure_connection()
            connection.connection.backup(target)
        options = {"init_command": "PRAGMA query_only = ON"}
        return {**first, "NAME": str(folder / "replica"), "OPTIONS": options}
    connection.close()
    with connection._nodb_cursor() as cursor:
        cursor.execute(f'CREATE DATABASE "{name}" TEMPLATE "{first["NAME"]}"')
    read_only = {"options": "-c default_transaction_read_only=on"}
    return {**first, "NAME": name, "OPTIONS": read_only}


@pytest.fixture
def behind(emptied_database, works, act, tmp_path) -> Iterator[dict[str, Lot]]:
    """One lot on both databases, another on the first alone."""
    known = receive(works, act(0), grams=100, owner=works.pellow)
    copy = copy_of_the_books(tmp_path)
    # Tests may open connections of the alias "default" alone, so this one bears that name.
    replica = connection.copy()
    replica.settings_dict.update(copy)
    connections.databases[REPLICA], connections[REPLICA] = copy, replica
    yield {"known": known, "newer": receive(works, act(1), grams=50, owner=works.pellow)}
    connections[REPLICA].close()
    del connections[REPLICA]
    del connections.databases[REPLICA]
    if connection.vendor == "postgresql":
        with connection._nodb_cursor() as cursor:
            cursor.execute(f'DROP DATABASE "{copy["NAME"]}" WITH (FORCE)')


@pytest.fixture
def office(behind, works, api_as) -> APIClient:
    return api_as(works.manager)


def test_a_report_says_how_far_its_books_go(office, behind, works):
    """One test of what each needs two databases of its own for."""
    _reads_the_replica(office, behind)
    _reads_the_books_when_later_ones_are_needed(office)
    _notes_on_the_books(office, works)
    _reads_the_books_when_there_is_no_replica(office)


def _reads_the_replica(office: APIClient, behind: dict[str, Lot]) -> None:
    newer, known = behind["newer"].code, behind["known"].code
    movements = {"from_date": "2026-05-01", "to_date": "2026-05-31"}
    for form in ("json", "csv"):
        report = office.get("/api/v1/reports/movements/", {**movements, "as": form})
        assert report.headers["Books-Through"] == "1"
        text = b"".join(report) if form == "csv" else report.content
        assert (known in text.decode(), newer in text.decode()) == (True, False), form
    assert office.get("/api/v1/lots/").json()["count"] == 2
    measures = office.get("/metrics").content.decode()
    assert "ledger_sequence 2.0" in measures
    assert "ledger_replica_sequence 1.0" in measures


def _reads_the_books_when_later_ones_are_needed(office: APIClient) -> None:
    lags = office.get(INVENTORY, headers={"Books-After": "1"})
    assert lags.headers["Books-Through"] == "1"
    for after in ("2", "7"):
        fresh = office.get(INVENTORY, headers={"Books-After": after})
        assert "Books-Through" not in fresh.headers
        assert fresh.json() != lags.json()


def _notes_on_the_books(office: APIClient, works: Any) -> None:
    span = {"from_date": "2026-05-01", "to_date": "2026-05-31"}
    answer = office.get("/api/v1/reports/accounts/pellow-dane/", span)
    assert answer.headers["Books-Through"] == "1"
    assert AccessRecord.objects.get().customer == works.pellow
    assert not AccessRecord.objects.using(REPLICA).exists()
    with reading_replica():
        party = Party.objects.get(code="pellow-dane")
        party.contact = "On the quay"
        party.save(update_fields=["contact"])
        assert Party.objects.get(code="pellow-dane").contact == ""
    assert Party.objects.get(code="pellow-dane").contact == "On the quay"
    with pytest.raises(DatabaseError):
        Party.objects.using(REPLICA).create(code="x", name="X", kind="customer")


def _reads_the_books_when_there_is_no_replica(office: APIClient) -> None:
    connections[REPLICA].close()
    gone = "/no/such/place" if connection.vendor == "sqlite" else "there_is_none"
    connections[REPLICA].settings_dict["NAME"] = gone
    answer = office.get(INVENTORY)
    assert answer.status_code == 200
    assert "Books-Through" not in answer.headers
