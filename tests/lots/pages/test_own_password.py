"""The password of the first sign-in opens one page: the one to choose another at."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client

from lots.ledger.recording import Act
from lots.models import Person
from lots.people.people import add_person
from lots.people.person_record import ON_THE_MACHINE
from lots.people.tokens import make_token

CHOSEN = "wet-granules-7-am"


@pytest.fixture
def ada(works: SimpleNamespace) -> SimpleNamespace:
    """Signed in with the password that was printed for her."""
    person: Any = add_person(
        username="ada", role="operator", way_in="password", act=Act(who=ON_THE_MACHINE)
    )
    password = person.password
    browser = Client()
    browser.post("/sign-in/", {"username": "ada", "password": password})
    return SimpleNamespace(person=person, password=password, browser=browser)


def sent(old: str, new: str = CHOSEN, again: str = "") -> dict[str, str]:
    return {"old_password": old, "new_password1": new, "new_password2": again or new}


def must_change() -> bool:
    return Person.objects.get(user__username="ada").must_change_password


def test_every_page_leads_to_the_choice_of_a_password_until_it_is_made(ada: Any) -> None:
    for address in ("/", "/receive/", "/tokens/", "/lots/FD26-9999-9/", "/admin/"):
        answer = ada.browser.get(address)
        assert (answer.status_code, answer.url) == (302, "/password/"), address
    page = ada.browser.get("/password/").content.decode()
    assert "Choose a password of your own" in page
    assert ada.browser.post("/password/", sent(ada.password)).url == "/"
    assert not must_change()
    assert ada.browser.get("/").status_code == 200
    again = Client()
    again.post("/sign-in/", {"username": "ada", "password": CHOSEN})
    assert again.get("/").status_code == 200


def test_the_api_is_closed_until_then_by_session_and_by_key(ada: Any) -> None:
    answer = ada.browser.get("/api/v1/lots/")
    assert (answer.status_code, answer.json()["code"]) == (403, "password_not_chosen")
    asked = {"username": "ada", "password": ada.password}
    answer = Client().post("/api/v1/token/", asked, "application/json")
    assert (answer.status_code, answer.json()["code"]) == (403, "password_not_chosen")


def test_a_key_made_before_opens_nothing_until_a_password_is_chosen(works: Any) -> None:
    user = works.operator
    _, key = make_token(user=user, created_by=user, name="scales", scopes=["read"], days=1)
    headers = {"Authorization": f"Bearer {key}"}
    Person.objects.filter(user=user).update(must_change_password=True)
    answer = Client().get("/api/v1/lots/", headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (403, "password_not_chosen")
    Person.objects.filter(user=user).update(must_change_password=False)
    assert Client().get("/api/v1/lots/", headers=headers).status_code == 200


def test_signing_out_is_open(ada: Any) -> None:
    assert ada.browser.post("/sign-out/").url == "/sign-in/"


@pytest.mark.parametrize(
    ("given", "field", "says"),
    [
        ({"old_password": "wrong"}, "old_password", "entered incorrectly"),
        ({"new_password1": "short", "new_password2": "short"}, "new_password2", "too short"),
        ({"new_password2": "wet-granules-8-am"}, "new_password2", "didn’t match"),
        ({"new_password1": ""}, "new_password1", "required"),
    ],
)
def test_a_password_that_can_not_be_is_refused_beside_its_field(
    ada: Any, given: dict[str, str], field: str, says: str
) -> None:
    answer = ada.browser.post("/password/", sent(ada.password) | given)
    assert answer.status_code == 400
    assert says in str(answer.context["form"].errors[field])
    assert must_change()


def test_the_printed_password_itself_is_refused(ada: Any) -> None:
    answer = ada.browser.post("/password/", sent(ada.password, ada.password))
    assert answer.status_code == 400
    assert answer.context["form"].has_error("new_password1", "same_password")
    assert must_change()


def test_anybody_signed_in_changes_theirs_and_stays_signed_in(works: Any) -> None:
    works.isolde.set_password("silver-in-the-cell")
    works.isolde.save()
    browser = Client()
    browser.force_login(works.isolde)
    assert browser.post("/password/", sent("silver-in-the-cell")).url == "/"
    assert browser.get("/my-lots/").status_code == 200


def test_a_stranger_signs_in_first(works: Any) -> None:
    assert Client().get("/password/").url == "/sign-in/?next=/password/"
