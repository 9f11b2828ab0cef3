"""A one-time link and a one-time password let somebody in once, to choose their own."""

from __future__ import annotations

import datetime as dt
import hashlib
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client

from lots import clock
from lots.ledger.recording import Act
from lots.models import ApiToken, Person, PersonChange, SignInLink
from lots.people.people import switch_off
from lots.people.tokens import make_token
from lots.people.ways_in import choose_password, give_password, make_sign_in_link
from tests.lots.people.test_people import CHOSEN, added
from tests.refused import refused

LINK_SPENT = "link_spent"


@pytest.fixture
def manager(works: SimpleNamespace) -> Act:
    return Act(who=works.manager)


def opened(key: str, browser: Client | None = None) -> Any:
    return (browser or Client()).post("/sign-in/once/", {"key": key})


def spent(answer: Any) -> bool:
    return bool(answer.status_code == 403 and answer.context["form"].has_error("key", LINK_SPENT))


def test_a_link_opens_once_and_leads_to_the_choice_of_a_password(works: Any, manager: Act) -> None:
    ada = added(act=manager)
    assert SignInLink.objects.get().key_sha256 == hashlib.sha256(ada.link.encode()).hexdigest()
    browser = Client()
    assert browser.get("/sign-in/once/").status_code == 200
    assert opened(f" {ada.link} ", browser).url == "/password/"
    assert browser.get("/bench/").url == "/password/"
    assert "old_password" not in browser.get("/password/").context["form"].fields
    new = {"new_password1": CHOSEN, "new_password2": CHOSEN}
    assert browser.post("/password/", new).url == "/"
    assert browser.get("/bench/").status_code == 200
    # From now on the password of now is asked for.
    assert browser.post("/password/", new).status_code == 400
    assert spent(opened(ada.link))
    done = PersonChange.objects.filter(person=ada).order_by("id")
    assert list(done.values_list("what", "by__username")) == [
        ("added", "manager"),
        ("link", "manager"),
        ("link_used", "ada"),
        ("chosen", "ada"),
    ]


def test_a_link_opens_nothing_after_48_hours_or_another_one_or_when_they_are_switched_off(
    works: Any, manager: Act
) -> None:
    ada, ben = added(act=manager), added("ben", act=manager)
    now = clock.now()
    with clock.at(now + dt.timedelta(hours=47, minutes=59)):
        later: Any = make_sign_in_link(person=Person.objects.get(pk=ada.pk), act=manager)
        assert spent(opened(ada.link))
        switch_off(person=Person.objects.get(pk=ada.pk), act=manager)
        assert spent(opened(later.link))
    with clock.at(now + dt.timedelta(hours=48)):
        assert spent(opened(ben.link))
    assert not SignInLink.objects.exclude(used_at=None).exists()


@pytest.mark.parametrize("key", ["guess", "ä", "x" * 80])
def test_what_is_no_key_opens_nothing(works: Any, key: str) -> None:
    assert spent(opened(key))


def test_a_key_is_needed_and_no_longer_than_it_may_be(works: Any) -> None:
    for key in ("", "x" * 81, "\x00"):
        assert opened(key).status_code == 400


def test_who_guesses_waits_ever_longer_and_the_link_still_opens_elsewhere(
    works: Any, manager: Act
) -> None:
    ada = added(act=manager)
    answers = [opened("guess") for _ in range(21)]
    assert (answers[19].status_code, answers[20].status_code) == (403, 429)
    assert answers[20].headers["Retry-After"]
    assert opened(ada.link).status_code == 429
    elsewhere = Client(REMOTE_ADDR="192.0.2.7")
    assert opened(ada.link, elsewhere).url == "/password/"


def test_a_link_for_who_forgot_leaves_the_old_password_until_another_is_chosen(
    works: Any, manager: Act
) -> None:
    works.operator.set_password("silver-in-the-cell")
    works.operator.save()
    person = Person.objects.get(user=works.operator)
    made = make_sign_in_link(person=person, act=manager)
    old = Client()
    old.force_login(works.operator)
    assert old.get("/bench/").status_code == 200
    browser = Client()
    opened(made.link, browser)  # type: ignore[attr-defined]
    # The other session knows the password, and is not let past it any more.
    assert old.get("/bench/").url == "/password/"
    assert "old_password" in old.get("/password/").context["form"].fields
    browser.post("/password/", {"new_password1": CHOSEN, "new_password2": CHOSEN})
    assert old.get("/bench/").url.startswith("/sign-in/")


def test_a_one_time_password_ends_sessions_and_keys_and_is_changed_first(
    works: Any, manager: Act
) -> None:
    wanted = {"name": "scales", "scopes": ["read"], "days": 1}
    _, key = make_token(user=works.operator, created_by=works.operator, **wanted)
    inside = Client()
    inside.force_login(works.operator)
    given: Any = give_password(person=Person.objects.get(user=works.operator), act=manager)
    assert inside.get("/bench/").url.startswith("/sign-in/")
    headers = {"Authorization": f"Bearer {key}"}
    assert Client().get("/api/v1/lots/", headers=headers).status_code == 401
    browser = Client()
    browser.post("/sign-in/", {"username": "operator", "password": given.password})
    assert browser.get("/bench/").url == "/password/"


def test_nobody_who_is_off_is_given_a_way_in(works: Any, manager: Act) -> None:
    person = Person.objects.get(user=works.operator)
    switch_off(person=person, act=manager)
    for give in (make_sign_in_link, give_password):
        with refused("person_off", "person"):
            give(person=person, act=manager)


def test_a_password_of_their_own_ends_the_first_one_and_any_link(works: Any, manager: Act) -> None:
    person = added(act=manager, way_in="password")
    link = make_sign_in_link(person=person, act=manager).link  # type: ignore[attr-defined]
    choose_password(user=person.user, password=CHOSEN, act=Act(who=person.user))
    person.refresh_from_db()
    assert not person.must_change_password
    assert person.user.check_password(CHOSEN)
    assert not person.user.check_password(person.password)
    assert spent(opened(link))


@pytest.mark.parametrize(
    ("password", "code"),
    [("", "password_weak"), ("short", "password_weak"), (None, "same_password")],
)
def test_a_password_that_is_weak_or_the_same_is_refused(
    works: Any, manager: Act, password: str | None, code: str
) -> None:
    person = added(act=manager, way_in="password")
    wanted = person.password if password is None else password
    with refused(code, "password"):
        choose_password(user=person.user, password=wanted, act=Act(who=person.user))
    person.refresh_from_db()
    assert person.must_change_password


def test_nobody_makes_a_key_before_they_chose_a_password(works: Any) -> None:
    person = added()
    wanted = {"name": "scales", "scopes": ["read"], "days": 1}
    with refused("password_not_chosen", "password"):
        make_token(user=person.user, created_by=person.user, **wanted)
    assert not ApiToken.objects.exists()
