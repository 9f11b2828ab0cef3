"""The manager's pages about people, and what somebody without a role is told."""

from __future__ import annotations

import re
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.test import Client

from lots.models import Person, PersonChange, SignInLink

Browse = Callable[[object], Client]


@pytest.fixture
def manager(works: SimpleNamespace, browse_as: Browse) -> Client:
    return browse_as(works.manager)


def key_of(browser: Client, address: str) -> str:
    return str(browser.get(address).context["form"]["key"].value())


def send(browser: Client, address: str, **values: str) -> Any:
    return browser.post(address, {"key": key_of(browser, address)} | values)


def told(answer: Any) -> str:
    found = re.search(r'id="told" readonly value="([^"]+)"', answer.content.decode())
    assert found
    return found[1]


def person(name: str) -> Person:
    return Person.objects.get(user__username=name)


def test_the_manager_adds_somebody_and_is_told_a_link_this_once(manager: Client) -> None:
    sent = {"name": "Ada Holm", "username": "ada", "role": "operator", "way_in": "link"}
    sent["key"] = key_of(manager, "/people/add/")
    answer = manager.post("/people/add/", sent)
    address, _, key = told(answer).partition("#")
    assert address == "http://testserver/sign-in/once/"
    assert "no-store" in answer.headers["Cache-Control"]
    browser = Client()
    assert browser.post("/sign-in/once/", {"key": key}).url == "/password/"
    # Sent again, as by a double press, it adds nobody and tells nothing.
    again = manager.post("/people/add/", sent)
    assert again.url == f"/people/{person('ada').pk}/"
    assert SignInLink.objects.count() == 1
    assert "Ada Holm" in manager.get("/people/").content.decode()


def test_a_one_time_password_is_told_once(manager: Client) -> None:
    sent = {"username": "ben", "role": "assayer", "way_in": "password"}
    password = told(send(manager, "/people/add/", **sent))
    assert Client().post("/sign-in/", {"username": "ben", "password": password}).status_code == 302
    again = told(send(manager, f"/people/{person('ben').pk}/one-time-password/"))
    assert again != password
    assert person("ben").user.check_password(again)


def test_each_act_stands_on_the_persons_page_with_who_when_and_why(
    manager: Client, works: Any
) -> None:
    at = f"/people/{person('operator').pk}/"
    send(manager, f"{at}details/", name="Sam Oake", email="sam@example.org")
    assert send(manager, f"{at}role/", role="assayer", note="took the course").url == at
    assert send(manager, f"{at}off/", note="left in May").url == at
    page = manager.get(at).content.decode()
    for words in ("Sam Oake", "sam@example.org", "took the course", "left in May", "switched off"):
        assert words in page, words
    assert "As found when this record began" in page
    assert send(manager, f"{at}on/").url == at
    link = told(send(manager, f"{at}sign-in-link/", note="forgot it"))
    assert link.partition("#")[2] not in manager.get(at).content.decode()


def test_somebody_of_a_customer_is_given_their_customer(manager: Client, works: Any) -> None:
    sent = {"username": "ida", "role": "customer", "party": str(works.pellow.pk)}
    send(manager, "/people/add/", **sent, way_in="link")
    assert person("ida").party == works.pellow


@pytest.mark.parametrize(
    ("given", "field", "code"),
    [
        ({"username": "operator"}, "username", "username_taken"),
        ({"username": "ada holm"}, "username", "not_a_username"),
        ({"email": "ada"}, "email", "not_an_email"),
        ({"role": "customer"}, "party", "party_needed"),
        ({"role": "boss"}, "role", "invalid_choice"),
        ({"username": ""}, "username", "required"),
    ],
)
def test_what_can_not_be_is_refused_beside_its_field(
    manager: Client, given: dict[str, str], field: str, code: str
) -> None:
    sent = {"username": "ada", "role": "operator", "way_in": "link"} | given
    answer = send(manager, "/people/add/", **sent)
    assert answer.status_code in (400, 409)
    assert answer.context["form"].has_error(field, code)
    assert not Person.objects.filter(user__username="ada").exists()
    assert not PersonChange.objects.exists()


def test_the_last_manager_is_told_what_to_do_first(manager: Client, works: Any) -> None:
    answer = send(manager, f"/people/{person('manager').pk}/off/")
    assert "Make somebody else a manager first." in answer.content.decode()
    assert person("manager").user.is_active


def test_who_has_no_role_is_told_whom_to_ask_wherever_they_go(
    works: Any, browse_as: Browse
) -> None:
    nobody = browse_as(get_user_model().objects.create_user("newcomer"))
    for address in (
        "/",
        "/bench/",
        "/receive/",
        "/lots/FD26-9999-9/",
        "/settlements/ST26-9999-9/",
        "/accounts/nobody/",
        "/my-lots/",
        "/my-deliveries/",
        "/people/",
        "/people/1000000/",
        "/tokens/",
        "/works/one-person/",
        "/q/FD26-9999-9/",
    ):
        answer = nobody.get(address, follow=True)
        page = answer.content.decode()
        assert (answer.status_code, "Ask manager." in page) == (403, True), address
        assert "You have no role here yet" in page, address
    assert nobody.get("/api/v1/lots/").status_code == 403


def test_the_admin_is_for_superusers_and_says_so_to_others(works: Any, browse_as: Browse) -> None:
    for name in ("operator", "manager", "isolde"):
        answer = browse_as(getattr(works, name)).get("/admin/", follow=True)
        assert answer.status_code == 403
        assert "superusers of the site" in answer.content.decode()
    answer = browse_as(works.manager).get("/admin/login/?next=/admin/", follow=True)
    assert (answer.status_code, len(answer.redirect_chain)) == (403, 2)
    assert (
        browse_as(get_user_model().objects.create_superuser("root")).get("/admin/").status_code
        == 200
    )
