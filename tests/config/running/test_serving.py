"""The site as served, debugging off: its files, its measures, its lines, and slow clients."""

from __future__ import annotations

import http.client
import json
import re
import socket
import subprocess
import sys
import urllib.request
from typing import Any

import pytest

from tests.live_server import ROOT, served


def get(address: str, **headers: str) -> tuple[Any, str]:
    request = urllib.request.Request(address, headers=headers)
    with urllib.request.urlopen(request, timeout=20) as answer:
        return answer.headers, answer.read().decode("latin-1")


def post(bound_to: tuple[str, int], address: str, kind: str, size: int) -> tuple[int, str]:
    connection = http.client.HTTPConnection(*bound_to, timeout=60)
    headers = {"Content-Type": kind, "Connection": "close"}
    connection.request("POST", address, b"a" * size, headers)
    answer = connection.getresponse()
    told = answer.status, answer.read().decode()
    connection.close()
    return told


def test_too_large_a_body_is_answered_and_not_cut_off(emptied_database, tmp_path):
    with served(tmp_path) as server:
        for kind in ("application/json", "multipart/form-data; boundary=x", "text/plain"):
            status, page = post(server.bound_to, "/sign-in/", kind, 11_000_000)
            assert (status, "larger than 10 MiB" in page) == (413, True)
            status, told = post(server.bound_to, "/api/v1/token/", kind, 11_000_000)
            assert (status, json.loads(told)["code"]) == (413, "too_large")
        status, told = post(server.bound_to, "/api/v1/receipts/", "application/json", 5_000_000)
        assert (status, json.loads(told)["code"]) == (401, "not_authenticated")
        kind = "application/json; charset*=no-such''utf-8"
        status, told = post(server.bound_to, "/api/v1/token/", kind, 5_000_000)
        assert (status, json.loads(told)["code"]) == (415, "not_utf8")


def test_only_a_proxy_that_was_named_says_that_tls_was_used(emptied_database, tmp_path):
    """Its address alone does not make a peer one, not even this machine's own."""
    claimed = {"X-Forwarded-Proto": "https", "X-Forwarded-For": "198.51.100.9"}
    # Past the redirect to https, a works without people is first to be set up.
    for name, status in (("unnamed", 301), ("named", 302)):
        folder = tmp_path / name
        folder.mkdir()
        with served(folder, HTTPS="1", TRUST_PROXY="1" if name == "named" else "0") as server:
            connection = http.client.HTTPConnection(*server.bound_to, timeout=60)
            connection.request("GET", "/sign-in/", headers=claimed)
            answer = connection.getresponse()
            answer.read()
            assert answer.status == status
            connection.close()


def test_files_measures_and_lines_in_service(emptied_database, tmp_path, monkeypatch):
    static = tmp_path / "static"
    monkeypatch.setenv("STATIC_ROOT", str(static))
    collect = ["manage.py", "collectstatic", "--noinput", "-v0", "-i", "drf_spectacular_sidecar"]
    subprocess.run([sys.executable, *collect, "-i", "admin"], cwd=ROOT, check=True, timeout=120)
    with served(tmp_path) as server:
        _, page = get(f"{server.address}/sign-in/")
        (sheet,) = re.findall(r'href="(/static/site/ledger[^"]*\.css)"', page)
        assert re.fullmatch(r"/static/site/ledger\.[0-9a-f]{12}\.css", sheet)
        headers, _ = get(f"{server.address}{sheet}", **{"Accept-Encoding": "gzip"})
        assert headers["Content-Encoding"] == "gzip"
        assert "immutable" in headers["Cache-Control"]
        assert "Access-Control-Allow-Origin" not in headers
        for _ in range(20):
            get(f"{server.address}/health/live", Connection="close")
        _, measures = get(f"{server.address}/metrics")
        counted = re.findall(
            r'^http_requests_total\{method="GET",route="/health/live",status="200"\} (\S+)$',
            measures,
            re.MULTILINE,
        )
        assert counted == ["20.0"]
        assert "ledger_sequence 0.0" in measures
    assert server.process.returncode == 0
    lines = server.lines()
    of_the_site = {"config.running.serving", "config.requests", "lots.queries.set_up"}
    assert {line["logger"] for line in lines} == of_the_site
    told = [line for line in lines if line.get("route") == "/health/live"]
    assert len(told) == len({line["request_id"] for line in told}) == 20


def held_open(bound_to: tuple[str, int], said: bytes, count: int) -> list[socket.socket]:
    held = [socket.create_connection(bound_to, timeout=20) for _ in range(count)]
    for each in held:
        each.sendall(said)
    return held


@pytest.mark.parametrize(
    "said",
    [
        b"POST /sign-in/ HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5000\r\n\r\nabc",
        b"GET /sign-in/ HTTP/1.1\r\nHost: loc",
    ],
    ids=["half a body", "half a head"],
)
def test_clients_that_stop_halfway_hold_up_nobody(emptied_database, tmp_path, said):
    with served(tmp_path) as server:
        held = held_open(server.bound_to, said, 200)
        for _ in range(5):
            get(f"{server.address}/health/live", Connection="close")
        for each in held:
            each.close()


def test_clients_that_do_not_read_hold_up_nobody(emptied_database, tmp_path):
    with served(tmp_path, WEB_THREADS="2") as server:
        asked = b"GET /api/schema/ HTTP/1.1\r\nHost: localhost\r\n\r\n"
        held = held_open(server.bound_to, asked, 6)
        for _ in range(3):
            get(f"{server.address}/health/live", Connection="close")
        for each in held:
            each.close()


def test_an_address_that_is_taken_is_told_in_a_sentence(emptied_database, tmp_path):
    with served(tmp_path) as server:
        second = subprocess.run(
            [sys.executable, "manage.py", "serve"],
            cwd=ROOT,
            env=server.environment,
            check=False,
            capture_output=True,
            text=True,
            timeout=60,
        )
        assert second.returncode == 1
        assert "Can't serve on 127.0.0.1:" in second.stderr
        assert "Traceback" not in second.stderr
