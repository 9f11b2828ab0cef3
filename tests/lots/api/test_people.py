"""People through the API: added, changed, let in once, and their record; for managers."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from rest_framework.test import APIClient

from lots.models import Person, PersonChange, RecordedRequest
from lots.people.tokens import make_token

PASSWORD = "silver-in-the-cell"
CHOSEN = "wet-granules-7-am"


@pytest.fixture
def manager(works: SimpleNamespace, api_as: Callable[[object], APIClient]) -> APIClient:
    return api_as(works.manager)


def test_a_person_is_added_once_and_the_link_is_told_once(manager: APIClient, works: Any) -> None:
    asked = {"username": "ada", "role": "customer", "party": "pellow-dane", "name": "Ada Holm"}
    key = {"HTTP_IDEMPOTENCY_KEY": "one"}
    first = manager.post("/api/v1/people/add/", asked, **key)
    assert first.status_code == 201
    added = first.json()
    assert (added["party"], added["password"]) == ("pellow-dane", None)
    again = manager.post("/api/v1/people/add/", asked, **key).json()
    assert again == added | {"link": None}
    secret = added["link"].partition("#")[2]
    assert secret not in repr(list(RecordedRequest.objects.values()))
    assert Client().post("/sign-in/once/", {"key": secret}).url == "/password/"


def test_every_change_of_a_person_has_an_address(manager: APIClient, works: Any) -> None:
    pk = Person.objects.get(user=works.operator).pk
    at = f"/api/v1/people/{pk}/"
    for ending, asked in (
        ("role", {"role": "assayer", "note": "took the course"}),
        ("details", {"name": "Sam Oake", "email": "sam@example.org"}),
        ("sign-in-link", {}),
        ("one-time-password", {}),
        ("off", {}),
        ("on", {}),
    ):
        assert manager.post(f"{at}{ending}/", asked).status_code == 201, ending
    shown = manager.get(at).json()
    assert (shown["role"], shown["name"], shown["is_active"]) == ("assayer", "Sam Oake", True)
    assert shown["must_change_password"]
    record = manager.get("/api/v1/person-changes/?user=operator").json()["results"]
    assert [row["what"] for row in reversed(record)] == [
        "found",
        "role",
        "details",
        "link",
        "password",
        "off",
        "on",
    ]
    assert {row["by"] for row in record} == {"manager", None}
    assert not {"link", "password"} & set(shown)


@pytest.mark.parametrize(
    ("ending", "asked", "status", "code", "field"),
    [
        ("role", {"role": "boss"}, 400, "invalid_choice", "role"),
        ("role", {"role": "customer"}, 400, "party_needed", "party"),
        ("role", {"role": "operator"}, 409, "person_as_before", "role"),
        ("role", {"role": "assayer", "rank": 1}, 400, "unknown_field", "rank"),
        ("details", {"email": "sam"}, 400, "not_an_email", "email"),
        ("on", {}, 409, "person_on", "person"),
    ],
)
def test_bad_requests_are_refused_and_nothing_is_written(
    manager: APIClient, works: Any, ending: str, asked: Any, status: int, code: str, field: str
) -> None:
    pk = Person.objects.get(user=works.operator).pk
    answer = manager.post(f"/api/v1/people/{pk}/{ending}/", asked)
    problem = answer.json()
    assert (answer.status_code, problem["code"], problem["field"]) == (status, code, field)
    assert not PersonChange.objects.exists()


def test_the_last_manager_stays(manager: APIClient, works: Any) -> None:
    pk = Person.objects.get(user=works.manager).pk
    answer = manager.post(f"/api/v1/people/{pk}/off/", {})
    assert (answer.status_code, answer.json()["code"]) == (409, "last_manager")


def test_ones_own_password_is_changed_with_the_old_one_and_ends_the_key(works: Any) -> None:
    user = works.operator
    user.set_password(PASSWORD)
    user.save()
    wanted = {"name": "scales", "scopes": ["record"], "days": 1}
    _, key = make_token(user=user, created_by=user, **wanted)
    headers = {"Authorization": f"Bearer {key}"}
    at = "/api/v1/people/own-password/"

    def send(old: str, new: str) -> Any:
        asked = {"old_password": old, "new_password": new}
        return Client().post(at, asked, "application/json", headers=headers)

    wrong = send("guess", CHOSEN)
    assert (wrong.status_code, wrong.json()["code"]) == (403, "wrong_password")
    weak = send(PASSWORD, "short").json()
    assert (weak["code"], weak["field"]) == ("password_weak", "new_password")
    assert send(PASSWORD, CHOSEN).status_code == 204
    user.refresh_from_db()
    assert user.check_password(CHOSEN)
    assert send(CHOSEN, PASSWORD).json()["code"] == "token_password_changed"
    assert PersonChange.objects.filter(what="chosen").count() == 1


def test_who_guesses_at_ones_own_password_waits(works: Any, api_as: Any) -> None:
    call = api_as(works.operator)
    asked = {"old_password": "guess", "new_password": CHOSEN}
    answers = [call.post("/api/v1/people/own-password/", asked).status_code for _ in range(7)]
    assert answers[0] == 403
    assert answers[-1] == 429


def test_a_session_that_changes_its_password_stays_and_the_first_password_is_no_bar(
    works: Any,
) -> None:
    works.operator.set_password(PASSWORD)
    works.operator.save()
    Person.objects.filter(user=works.operator).update(must_change_password=True)
    browser = Client()
    browser.force_login(works.operator)
    asked = {"old_password": PASSWORD, "new_password": CHOSEN}
    at = "/api/v1/people/own-password/"
    assert browser.post(at, asked, "application/json").status_code == 204
    assert browser.get("/api/v1/lots/").status_code == 200
