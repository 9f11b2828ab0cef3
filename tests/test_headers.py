"""What every kind of answer says to the browser about itself, and the pins that are installed."""

from __future__ import annotations

import re
from importlib.metadata import PackageNotFoundError, version
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.test import Client
from packaging.requirements import Requirement

from tests.test_tidy import ROOT

ANSWERS = {
    "a page": ("/bench/", 200),
    "the way in": ("/sign-in/", 302),
    "an error page": ("/no-such-page/", 404),
    "the API": ("/api/v1/lots/", 200),
    "the API's refusal": ("/api/v1/lots/?no=such", 400),
    "the API's description": ("/api/docs/", 200),
    "an export": ("/api/v1/reports/inventory/?as=xlsx", 200),
    "the admin": ("/admin/", 200),
    "a guessed link": ("/shared/guess/", 404),
    "liveness": ("/health/live", 200),
    "a style sheet": ("/static/site/ledger.css", 200),
}
# In a page: what runs or styles without a file of its own.
INLINE = re.compile(r"<script(?![^>]*\bsrc=)|<style|\sstyle=|\son[a-z]+=|javascript:", re.I)
SHOWN = ["/", "/bench/", "/tokens/", "/admin/", "/admin/auth/user/add/"]


@pytest.fixture
def root(works: SimpleNamespace) -> Client:
    client = Client()
    client.force_login(get_user_model().objects.create_superuser("root"))
    return client


@pytest.mark.parametrize(("address", "status"), ANSWERS.values(), ids=ANSWERS.keys())
def test_every_kind_of_answer_is_guarded(root: Client, address: str, status: int) -> None:
    answer = root.get(address)
    b"".join(answer)
    answer.close()
    assert answer.status_code == status
    headers = answer.headers
    assert headers["X-Content-Type-Options"] == "nosniff"
    if address.startswith("/static/"):
        return
    policy = headers["Content-Security-Policy"]
    for rule in ("default-src 'self'", "object-src 'none'", "base-uri 'none'"):
        assert rule in policy
    assert "frame-ancestors 'none'" in policy
    assert "script-src" not in policy  # so scripts fall under default-src: files of ours alone
    assert "unsafe-inline" not in policy or address == "/api/docs/"
    assert headers["X-Frame-Options"] == "DENY"
    assert headers["Referrer-Policy"] in {"same-origin", "no-referrer"}
    assert headers["Cross-Origin-Opener-Policy"] == "same-origin"


@pytest.mark.parametrize("address", SHOWN)
def test_nothing_in_a_page_runs_without_a_file(root: Client, address: str) -> None:
    found = INLINE.findall(root.get(address).content.decode())
    assert found == []


def test_behind_tls_everything_goes_by_tls(works: SimpleNamespace, settings: Any) -> None:
    settings.SECURE_SSL_REDIRECT = settings.SESSION_COOKIE_SECURE = True
    settings.CSRF_COOKIE_SECURE = True
    settings.SECURE_HSTS_SECONDS = 31_536_000
    works.operator.set_password("silver-in-the-cell")
    works.operator.save()
    plain = Client().get("/sign-in/")
    assert (plain.status_code, plain.url) == (301, "https://testserver/sign-in/")
    browser = Client()
    page = browser.get("/sign-in/", secure=True)
    assert "max-age=31536000" in page.headers["Strict-Transport-Security"]
    browser.post(
        "/sign-in/", {"username": "operator", "password": "silver-in-the-cell"}, secure=True
    )
    for name in ("sessionid", "csrftoken"):
        assert browser.cookies[name]["secure"], name
        assert browser.cookies[name]["samesite"] == "Lax", name
    assert browser.cookies["sessionid"]["httponly"]


def test_what_is_installed_is_what_is_pinned() -> None:
    """Every pin is exact, and no installed package differs from its pin."""
    pins = [Requirement(line) for line in (ROOT / "constraints.txt").read_text().splitlines()]
    assert [str(pin) for pin in pins if not str(pin.specifier).startswith("==")] == []
    other = {}
    for pin in pins:
        if pin.marker is not None and not pin.marker.evaluate():
            continue
        try:
            found = version(pin.name)
        except PackageNotFoundError:
            continue  # an extra that is not installed
        if found not in pin.specifier:
            other[pin.name] = (found, str(pin.specifier))
    assert other == {}
