"""The example client, made of the kept description, brings metal in and reads its balance."""

from __future__ import annotations

import json
import signal
import socket
import time

import pytest
from django.contrib.auth.hashers import PBKDF2PasswordHasher
from django.db import transaction

from lots.ledger.recording import lock_ledger
from lots.models import Lot
from tests.client.calling import Refused
from tests.client.generate import DESCRIPTION, WRITTEN, generated
from tests.client.ledger_client import LedgerClient
from tests.live_server import LiveServer, served

PASSWORD = "silver-in-the-cell"
RECEIPT = {
    "party": "brackwater",
    "owner": "brackwater",
    "form": "granules",
    "place": "feed-shelf",
    "weight": {"gross": "1 010 g", "tare": "10 g", "balance": "bench"},
    "declared": {"Ag": "925"},
}


def test_the_client_is_what_the_description_makes():
    wanted = generated(json.loads(DESCRIPTION.read_text()))
    assert WRITTEN.read_text() == wanted, "out of step: run python -m tests.client.generate"


def test_receive_assay_and_balance_over_a_live_server(emptied_database, works, tmp_path):
    # The server checks passwords as in service, not as the tests do.
    works.assayer.password = PBKDF2PasswordHasher().encode(PASSWORD, "quay-salt", 10)
    works.assayer.save()
    with served(tmp_path) as server:
        client = LedgerClient(server.address)
        with pytest.raises(Refused) as refused:
            client.lots_list()
        assert refused.value.status == 401
        client.token = client.token_create(
            username="assayer", password=PASSWORD, scopes=["read", "report", "record"]
        )["token"]
        lot = client.receipts_create(**RECEIPT)
        assay = client.lots_assays_create(
            lot["code"],
            assay={
                "method": "titration",
                "laboratory": "quay-lab",
                "results": {"Ag": {"value": "924.1", "standard_uncertainty": "0.4"}},
            },
        )
        client.assays_rule_create(assay["id"], reason="first assay")
        balance = client.lots_retrieve(lot["code"])["metals"]["Ag"]
        assert balance["g"] == "924.100000"
        events = client.events_retrieve()["events"]
        assert [event["kind"] for event in events] == ["receipt", "assay_difference"]
        assert client.movements_retrieve(events[-1]["id"])["kind"] == "assay_difference"
        assert client.lots_list(form="granules", page_size=1)["count"] == 1
        with pytest.raises(Refused) as refused:
            client.lots_assays_create(lot["code"], assay={"method": "guess"})
        assert refused.value.problem["code"] in {"required", "invalid_choice"}
        with pytest.raises(Refused) as refused:
            client.lots_retrieve("GR26/../x")
        assert (refused.value.status, refused.value.problem["code"]) == (404, "unknown")
        _is_answered_although_the_server_is_told_to_stop(server, client.token)
    assert server.process.returncode == 0
    assert Lot.objects.count() == 2


def _is_answered_although_the_server_is_told_to_stop(server: LiveServer, token: str) -> None:
    """A receipt waits for the ledger's lock, which is let go only after the server's SIGTERM."""
    body = json.dumps(RECEIPT).encode()
    head = (
        "POST /api/v1/receipts/ HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n"
        f"Authorization: Token {token}\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body)}\r\nExpect: 100-continue\r\n\r\n"
    )
    with socket.create_connection(server.bound_to, timeout=60) as line:
        with transaction.atomic():
            lock_ledger()
            line.sendall(head.encode())
            # Now a worker has the request in hand.
            assert line.recv(1000).startswith(b"HTTP/1.1 100")
            line.sendall(body)
            server.process.send_signal(signal.SIGTERM)
            _wait_until_told(server)
        with line.makefile("rb") as answer:
            assert answer.readline().split()[1] == b"201"


def _wait_until_told(server: LiveServer) -> None:
    deadline = time.monotonic() + 15
    while '"stopping"' not in server.log.read_text():
        assert time.monotonic() < deadline, "the server has not taken notice"
        time.sleep(0.05)
