"""The first visit to a works that nobody can sign in to yet."""

from __future__ import annotations

import pytest
from django.contrib.auth import get_user_model
from django.test import Client

from lots.models import WorksSettings
from lots.queries.set_up import set_up_code

SENT = {
    "key": "page-1",
    "name": "Gull Street Silver",
    "person": "Zoë Holm",
    "password": "crystal grows at night",
    "time_zone": "Europe/Amsterdam",
    "decimal_sign": ",",
    "mass_unit": "g",
    "one_person": "on",
}
ELSEWHERE = {"REMOTE_ADDR": "192.0.2.7"}


@pytest.fixture(autouse=True)
def nobody(db, known_set_up, known_zone) -> None:
    known_set_up.clear()
    known_zone.clear()


@pytest.mark.parametrize("address", ["/", "/sign-in/", "/lots/", "/no-such-page/", "/admin/"])
def test_any_page_leads_to_it(address):
    answer = Client().get(address)
    assert (answer.status_code, answer.url) == (302, "/set-up/")


def test_health_and_the_api_answer_as_ever():
    assert Client().get("/health/live").status_code == 200
    assert Client().get("/api/v1/lots/").status_code == 401


def test_whoever_sets_it_up_is_signed_in_and_the_door_is_shut():
    browser = Client()
    shown = browser.get("/set-up/")
    assert "code" not in shown.context["form"].fields
    answer = browser.post("/set-up/", SENT, follow=True)
    assert answer.redirect_chain == [("/", 302)]
    assert "You sign in as zoe" in answer.content.decode()
    assert answer.context["user"].get_username() == "zoe"
    assert Client().get("/set-up/").url == "/"
    assert Client().get("/").url.startswith("/sign-in/")
    other = Client().post("/set-up/", SENT | {"key": "page-2", "person": "Eve"})
    assert other.status_code == 409
    assert get_user_model().objects.count() == 1


def test_pressed_twice_it_is_set_up_once_and_both_are_signed_in():
    first, second = Client(), Client()
    assert first.post("/set-up/", SENT).url == "/"
    assert second.post("/set-up/", SENT).url == "/"
    assert second.get("/").status_code == 200
    assert (get_user_model().objects.count(), WorksSettings.objects.count()) == (1, 1)
    guessed = Client().post("/set-up/", SENT | {"password": "something else at night"})
    assert guessed.status_code == 409


@pytest.mark.parametrize(
    "told",
    [ELSEWHERE, {"HTTP_X_FORWARDED_FOR": "127.0.0.1"}, {"HTTP_FORWARDED": "for=127.0.0.1"}],
)
def test_from_another_machine_or_through_a_proxy_the_code_is_asked(told):
    browser = Client(**told)
    assert "code" in browser.get("/set-up/").context["form"].fields
    assert browser.post("/set-up/", SENT).context["form"].has_error("code")
    wrong = browser.post("/set-up/", SENT | {"code": "abcd-abcd-abcd"})
    assert wrong.status_code == 403
    assert wrong.context["form"].has_error("code", "wrong_code")
    assert not get_user_model().objects.exists()
    right = browser.post("/set-up/", SENT | {"code": f" {set_up_code().upper()} "})
    assert right.url == "/"


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"name": ""}, "name"),
        ({"person": ""}, "person"),
        ({"password": "short"}, "password"),
        ({"password": ""}, "password"),
        ({"time_zone": ""}, "time_zone"),
        ({"username": "two words"}, "username"),
        ({"decimal_sign": "'"}, "decimal_sign"),
    ],
)
def test_a_refusal_stands_beside_its_field_and_nothing_is_written(wrong, field):
    answer = Client().post("/set-up/", SENT | wrong)
    assert answer.status_code == 400
    assert answer.context["form"].has_error(field)
    assert not get_user_model().objects.exists()
