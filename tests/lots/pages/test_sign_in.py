"""Who fails to sign in waits ever longer; nobody else does."""

from __future__ import annotations

import datetime as dt
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth import hashers
from django.test import Client
from hypothesis import given
from hypothesis import strategies as st

from lots import clock
from lots.models import SignInAttempt
from lots.people import attempts
from lots.people.waiting import WAIT_S_MAX, wait_s

PASSWORD = "silver-in-the-cell"
# As docs/access.md says.
FREE_BY_NAME, FREE_BY_ADDRESS, KEPT_FOR = 5, 20, dt.timedelta(days=60)
HOME, OTHER = "203.0.113.7", "198.51.100.9"  # RFC 5737: addresses for documentation


@pytest.fixture
def operator(works: SimpleNamespace) -> Any:
    works.operator.set_password(PASSWORD)
    works.operator.save()
    return works.operator


def sign_in(password: str, name: str = "operator", address: str = HOME, **headers: str) -> Any:
    sent = {"username": name, "password": password}
    return Client().post("/sign-in/", sent, REMOTE_ADDR=address, headers=headers)


def obtain(password: str, name: str = "operator", address: str = HOME) -> Any:
    sent = {"username": name, "password": password}
    return Client().post("/api/v1/token/", sent, "application/json", REMOTE_ADDR=address)


def later(seconds: int) -> Any:
    return clock.at(clock.now() + dt.timedelta(seconds=seconds))


def test_after_some_failures_even_the_right_password_waits(operator: Any) -> None:
    for _ in range(FREE_BY_NAME):
        assert sign_in("wrong").status_code == 200
    held = sign_in(PASSWORD, "OPERATOR", OTHER)
    assert (held.status_code, held.headers["Retry-After"]) == (429, "1")
    assert "Wait 1 s," in held.content.decode()
    by_program = obtain(PASSWORD)
    assert by_program.json()["code"] == "too_many_attempts"
    assert (by_program.status_code, by_program.headers["Retry-After"]) == (429, "1")
    with later(1):
        assert sign_in("wrong").status_code == 200
        assert sign_in(PASSWORD).headers["Retry-After"] == "2"
    with later(3):
        assert sign_in(PASSWORD).status_code == 302
        assert sign_in("wrong").status_code == 200


def test_a_token_is_not_guessed_faster_than_a_page(operator: Any) -> None:
    codes = [obtain("wrong").status_code for _ in range(FREE_BY_NAME + 1)]
    assert codes == [401] * FREE_BY_NAME + [429]
    assert sign_in(PASSWORD).status_code == 429


def test_many_names_from_one_address_wait_and_who_works_there_does_not(operator: Any) -> None:
    assert sign_in(PASSWORD).status_code == 302
    for number in range(FREE_BY_ADDRESS):
        assert sign_in("wrong", f"name-{number}").status_code == 200
    assert sign_in("wrong", "one-more").status_code == 429
    assert sign_in("wrong", "one-more", OTHER).status_code == 200
    assert sign_in(PASSWORD).status_code == 302


@pytest.mark.parametrize("peer", ["127.0.0.1", "::1", "10.1.2.3", "192.168.0.9", "fd00::1", HOME])
def test_what_is_forwarded_by_nobody_named_counts_for_nothing(operator: Any, peer: str) -> None:
    for number in range(FREE_BY_ADDRESS):
        forwarded = {"X-Forwarded-For": f"198.51.100.{number}", "Forwarded": "for=_hidden"}
        assert sign_in("wrong", f"name-{number}", peer, **forwarded).status_code == 200
    for forwarded in ({}, {"X-Forwarded-For": OTHER}, {"X-Real-Ip": OTHER}):
        assert sign_in("wrong", "one-more", peer, **forwarded).status_code == 429
    assert {each.address for each in SignInAttempt.objects.all()} == {peer}


@pytest.mark.parametrize("forwarded", ["", "unknown", "198.51.100.9, ", "[::1]:80"])
def test_a_trusted_proxy_that_names_nobody_is_counted_itself(
    operator: Any, settings: Any, forwarded: str
) -> None:
    settings.TRUST_PROXY = True
    sign_in("wrong", address="127.0.0.1", **{"X-Forwarded-For": forwarded})
    assert SignInAttempt.objects.get().address == "127.0.0.1"


def test_a_trusted_proxys_last_word_is_the_address(operator: Any, settings: Any) -> None:
    settings.TRUST_PROXY = True
    sign_in("wrong", address="127.0.0.1", **{"X-Forwarded-For": f"{OTHER}, {HOME}"})
    settings.TRUST_PROXY = False
    sign_in("wrong", address=OTHER, **{"X-Forwarded-For": HOME})
    assert [each.address for each in SignInAttempt.objects.order_by("pk")] == [HOME, OTHER]


def test_guessed_links_wait_and_are_kept(works: SimpleNamespace) -> None:
    browser = Client(REMOTE_ADDR=HOME)
    codes = [browser.get(f"/shared/guess-{n}/").status_code for n in range(FREE_BY_ADDRESS + 1)]
    assert codes == [404] * FREE_BY_ADDRESS + [429]
    assert SignInAttempt.objects.filter(door="link", succeeded=False).count() == FREE_BY_ADDRESS
    assert Client(REMOTE_ADDR=OTHER).get("/shared/guess/").status_code == 404


def test_every_attempt_is_kept_without_what_was_typed(operator: Any) -> None:
    sign_in("wrong", "my-password-by-mistake")
    sign_in(PASSWORD)
    kept = list(SignInAttempt.objects.order_by("pk").values("door", "succeeded", "user", "address"))
    assert kept == [
        {"door": "page", "succeeded": False, "user": None, "address": HOME},
        {"door": "page", "succeeded": True, "user": operator.pk, "address": HOME},
    ]
    assert "my-password" not in str(list(SignInAttempt.objects.values()))


def test_an_unknown_name_costs_the_same_work_as_a_known_one(
    operator: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    hashed: list[str] = []
    encode = hashers.MD5PasswordHasher.encode

    def counted(self: Any, password: str, salt: str) -> str:
        hashed.append(password)
        return encode(self, password, salt)

    monkeypatch.setattr(hashers.MD5PasswordHasher, "encode", counted)
    sign_in("wrong")
    known = len(hashed)
    sign_in("wrong", "nobody-here")
    assert (known, len(hashed)) == (1, 2)


def test_the_admin_has_no_door_of_its_own(operator: Any) -> None:
    answer = Client().get("/admin/login/?next=/admin/")
    assert (answer.status_code, answer.url) == (302, "/sign-in/?next=/admin/")


@given(st.integers(0, 10_000), st.integers(1, 50))
def test_the_wait_grows_to_a_limit_and_begins_after_the_free_ones(failures: int, free: int) -> None:
    wait = wait_s(failures, free)
    assert (wait == 0) == (failures < free)
    assert wait <= wait_s(failures + 1, free) <= WAIT_S_MAX


def test_attempts_are_forgotten_by_themselves_once_they_are_old(
    operator: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert sign_in(PASSWORD).status_code == 302
    with later(1):
        assert sign_in("wrong").status_code == 200
    monkeypatch.setattr(attempts, "FORGETS_EVERY", 1)
    with clock.at(clock.now() + KEPT_FOR + dt.timedelta(seconds=1)):
        assert sign_in("wrong", "somebody", OTHER).status_code == 200
    kept = SignInAttempt.objects.order_by("at").values_list("succeeded", "address")
    assert list(kept) == [(False, HOME), (False, OTHER)]
