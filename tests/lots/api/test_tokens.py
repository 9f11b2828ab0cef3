"""A program's key: what it opens, what it does not, and until when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from io import StringIO
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth.hashers import make_password
from django.core.management import CommandError, call_command
from django.test import Client
from rest_framework.test import APIClient

from config.refusals import ForbiddenError, InvalidError
from lots import clock
from lots.models import ApiToken
from lots.people.tokens import make_token

PASSWORD = "silver-in-the-cell"
LOTS, REPORT = "/api/v1/lots/", "/api/v1/reports/inventory/"
OFFICE = "/api/v1/access-records/"
RECEIPTS, PRICES = "/api/v1/receipts/", "/api/v1/prices/record/"


def asking(user: Any, *scopes: str, days: int = 30) -> tuple[APIClient, ApiToken]:
    """A program with a token of that user."""
    token, key = make_token(user=user, name="scales", scopes=scopes, days=days, created_by=user)
    client = APIClient()
    client.default_format = "json"
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {key}")
    return client, token


def seen(answer: Any) -> tuple[int, str]:
    return answer.status_code, answer.json().get("code", "")


def test_a_token_opens_what_it_is_made_for_and_is_kept_as_a_hash(works: SimpleNamespace) -> None:
    client, token = asking(works.operator, "read")
    assert client.get(LOTS).status_code == 200
    token.refresh_from_db()
    assert token.last_used_at == clock.now()
    kept = " ".join(str(value) for value in ApiToken.objects.values().get().values())
    assert client._credentials["HTTP_AUTHORIZATION"].removeprefix("Bearer ") not in kept


@pytest.mark.parametrize(
    ("scopes", "opened"),
    [
        (["read"], {LOTS, OFFICE}),
        (["report"], {REPORT}),
        (["record"], {RECEIPTS}),
        (["administer"], {PRICES}),
        (["read", "record"], {LOTS, OFFICE, RECEIPTS}),
    ],
)
def test_a_token_does_nothing_beyond_its_scopes(
    works: SimpleNamespace, scopes: list[str], opened: set[str]
) -> None:
    client, _ = asking(works.manager, *scopes)
    answers = {address: seen(client.get(address)) for address in (LOTS, OFFICE, REPORT)}
    answers |= {address: seen(client.post(address, {})) for address in (RECEIPTS, PRICES)}
    for address, (status, code) in answers.items():
        is_out = (status, code) == (403, "token_out_of_scope")
        assert is_out == (address not in opened), address
        assert status < 500


def test_a_customers_token_does_nothing_beyond_its_scopes_either(works: SimpleNamespace) -> None:
    events, tokens = "/api/v1/events/", "/api/v1/tokens/"
    for scope, opened, closed in (("report", events, tokens), ("read", tokens, events)):
        client, _ = asking(works.isolde, scope)
        assert client.get(opened).status_code == 200
        assert seen(client.get(closed)) == (403, "token_out_of_scope")
        assert client.get(closed).json()["value"] == {"report": "read", "read": "report"}[scope]


def test_a_token_that_ended_says_how(works: SimpleNamespace) -> None:
    client, token = asking(works.operator, "read", "record", days=1)
    with clock.at(clock.now() + dt.timedelta(days=1)):
        assert seen(client.get(LOTS)) == (401, "token_expired")
    assert client.post(f"/api/v1/tokens/{token.pk}/revoke/", {}).status_code == 201
    assert seen(client.get(LOTS)) == (401, "token_revoked")
    client.credentials(HTTP_AUTHORIZATION="Bearer pl_made-up")
    answer = client.get(LOTS)
    assert seen(answer) == (401, "token_unknown")
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    works.operator.is_active = False
    works.operator.save()
    other, _ = asking(works.operator, "read")
    assert seen(other.get(LOTS)) == (401, "token_unknown")


def test_no_token_is_made_for_a_name_longer_than_any(works: SimpleNamespace) -> None:
    asked = {"username": "a" * 151, "password": PASSWORD}
    answer = Client().post("/api/v1/token/", asked, "application/json")
    assert (seen(answer), answer.json()["field"]) == ((400, "max_length"), "username")


def by_form(user: Any) -> None:
    user.set_password(PASSWORD)
    user.save()


def in_the_database(user: Any) -> None:
    type(user).objects.filter(pk=user.pk).update(password=make_password(PASSWORD))


def for_good(user: Any) -> None:
    user.set_unusable_password()
    user.save()


@pytest.mark.parametrize("change", [by_form, in_the_database, for_good])
def test_a_token_ends_with_the_password_it_was_made_under(
    works: SimpleNamespace, browse_as: Callable[[object], Client], change: Callable[[Any], None]
) -> None:
    session = browse_as(works.operator)
    client, token = asking(works.operator, "read")
    another, _ = asking(works.assayer, "read")
    assert session.get("/bench/").status_code == client.get(LOTS).status_code == 200
    change(works.operator)
    answer = client.get(LOTS)
    assert seen(answer) == (401, "token_password_changed")
    assert answer.headers["WWW-Authenticate"] == "Bearer"
    token.refresh_from_db()
    assert token.last_used_at == clock.now()  # of its use before
    assert session.get("/bench/").url.startswith("/sign-in/")
    assert another.get(LOTS).status_code == 200
    manager, _ = asking(works.manager, "read")
    told = manager.get("/api/v1/tokens/").json()["results"]
    assert {each["user"]: each["password_changed"] for each in told} == {
        "operator": True,
        "assayer": False,
        "manager": False,
    }
    page = browse_as(works.manager).get("/tokens/").content.decode()
    assert page.count("password changed since") == 1
    works.operator.refresh_from_db()
    after, _ = asking(works.operator, "read")
    assert after.get(LOTS).status_code == 200


def test_a_token_from_before_passwords_were_watched_opens_nothing(works: SimpleNamespace) -> None:
    client, token = asking(works.operator, "read")
    ApiToken.objects.filter(pk=token.pk).update(password_sha256="")
    assert seen(client.get(LOTS)) == (401, "token_password_changed")


def test_a_token_may_no_more_than_its_person_then_or_later(works: SimpleNamespace) -> None:
    for user, scope in ((works.operator, "administer"), (works.isolde, "record")):
        with pytest.raises(ForbiddenError) as refused:
            make_token(user=user, name="x", scopes=[scope], days=1, created_by=user)
        assert (refused.value.code, refused.value.field) == ("scope_above_role", "scopes")
    client, _ = asking(works.accountant, "administer")
    person = works.accountant.person
    person.role = "operator"
    person.save()
    assert seen(client.post(PRICES, {})) == (403, "permission_denied")
    assert asking(works.isolde, "read")[0].get(LOTS).status_code == 403


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"days": 0}, "expiry_out_of_range"),
        ({"days": 367}, "expiry_out_of_range"),
        ({"scopes": []}, "scope_needed"),
        ({"scopes": ["everything"]}, "unknown_choice"),
        ({"name": " "}, "empty"),
    ],
)
def test_a_token_without_limits_is_not_made(
    works: SimpleNamespace, change: dict[str, Any], code: str
) -> None:
    wanted = {"name": "scales", "scopes": ["read"], "days": 9, **change}
    with pytest.raises(InvalidError) as refused:
        make_token(user=works.operator, created_by=works.operator, **wanted)
    assert refused.value.code == code
    assert not ApiToken.objects.exists()


def test_a_token_is_had_for_a_password_and_reads_unless_asked_for_more(
    works: SimpleNamespace, client: Client
) -> None:
    works.operator.set_password(PASSWORD)
    works.operator.save()
    sent = {"username": "operator", "password": PASSWORD}
    answer = client.post("/api/v1/token/", sent, content_type="application/json")
    assert (answer.status_code, answer.json()["scopes"]) == (201, ["read"])
    assert answer.headers["Cache-Control"] == "no-store"
    bearer = {"HTTP_AUTHORIZATION": f"Token {answer.json()['token']}"}
    listed = client.get("/api/v1/tokens/", **bearer).json()["results"]
    assert [each["name"] for each in listed] == ["a program"]
    assert "token" not in listed[0]
    wrong = client.post("/api/v1/token/", {**sent, "password": "no"}, "application/json")
    assert seen(wrong) == (401, "wrong_password")
    above = client.post(
        "/api/v1/token/", {**sent, "scopes": ["administer"]}, content_type="application/json"
    )
    assert seen(above) == (403, "scope_above_role")


def test_only_the_manager_sees_and_revokes_other_peoples_tokens(
    works: SimpleNamespace, api_as: Callable[[object], APIClient]
) -> None:
    _, token = asking(works.operator, "read")
    address = f"/api/v1/tokens/{token.pk}/"
    for user, status in ((works.assayer, 404), (works.isolde, 404), (works.manager, 200)):
        assert api_as(user).get(address).status_code == status
    assert api_as(works.assayer).post(f"{address}revoke/").status_code == 404
    manager = api_as(works.manager)
    assert manager.post(f"{address}revoke/").status_code == 201
    again = manager.post(f"{address}revoke/")
    assert (seen(again), again.json()["field"]) == ((409, "already_revoked"), "token")


def test_the_page_shows_a_key_once_and_closes_it(
    works: SimpleNamespace, browser: Client, browse_as: Callable[[object], Client]
) -> None:
    made = browser.post("/tokens/", {"name": "scales", "scopes": ["read"], "days": 9})
    key = made.context["key"]
    assert key in made.content.decode()
    assert "no-store" in made.headers["Cache-Control"]
    again = browser.get("/tokens/")
    assert key not in again.content.decode()
    assert "administer" not in str(again.context["form"]["scopes"])
    token = ApiToken.objects.get()
    refused = browser.post("/tokens/", {"name": "x", "scopes": ["administer"], "days": 9})
    assert refused.status_code == 400
    assert browse_as(works.assayer).post(f"/tokens/{token.pk}/revoke/").status_code == 404
    for says in ("opens nothing any more", "revoked already"):
        answer = browser.post(f"/tokens/{token.pk}/revoke/", follow=True)
        assert says in answer.content.decode()
    token.refresh_from_db()
    assert token.revoked_by == works.operator


def test_the_command_prints_a_key_that_works(works: SimpleNamespace) -> None:
    out = StringIO()
    call_command("make_token", "operator", "--scopes", "read", stdout=out, stderr=StringIO())
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Bearer {out.getvalue().strip()}")
    assert client.get(LOTS).status_code == 200
    with pytest.raises(CommandError, match="scope_above_role"):
        call_command("make_token", "operator", "--scopes", "administer")
