"""Every address there is, walked as everyone: the declared table says who may do what."""

from __future__ import annotations

import re
from types import SimpleNamespace
from typing import Any, Final

import pytest
from django.contrib.auth import get_user_model
from django.db import transaction
from django.test import Client

from tests.access_table import ADMIN, ROLES, TABLE, WHO, routes

STRANGER: Final = "stranger"
# Nothing has these: what is asked is who is let in, not what they find.
NOTHING: Final = {
    "code": "FD26-9999-9",
    "key": "00000000-0000-4000-8000-000000000000",
    "lot": "FD26-9999-9",
    "month": "2031-01",
    "party": "nobody",
    "token": "rubbish",
    "form": "page",
}


def filled(route: str) -> str:
    return "/" + re.sub(r"<(\w+)>", lambda found: NOTHING.get(found[1], "1000000"), route)


def outcome(answer: Any) -> str:
    """What an answer means for the person who asked."""
    if answer.status_code == 302 and re.match("/(sign-in|admin/login)/", answer.url):
        return "sign in"
    meaning = {401: "sign in", 403: "refused", 404: "nothing there", 405: "no such act"}
    return meaning.get(answer.status_code, "let in")


def expected(route: str, may: frozenset[str], actor: str) -> set[str]:
    """The outcomes that the table allows for an actor."""
    if actor in may:
        return {"let in", "nothing there"}
    if actor == STRANGER:
        turned_away = "sign in"
    elif not route.startswith("api/") and (actor == "customer" or may == WHO["customer"]):
        turned_away = "nothing there"
    else:
        turned_away = "refused"
    if may:
        return {turned_away}
    return {"no such act"} if actor == "manager" else {"no such act", turned_away}


@pytest.fixture
def visitors(works: SimpleNamespace) -> dict[str, Client]:
    """A browser for everyone, and one for a user who has no part in the works."""
    users = {role: getattr(works, role) for role in ROLES if role != "customer"}
    found = {STRANGER: Client(), "customer": Client(), **{role: Client() for role in users}}
    found["customer"].force_login(works.isolde)
    for role, user in users.items():
        found[role].force_login(user)
    return found


@pytest.mark.parametrize("part", range(4))
def test_who_is_let_in_where_and_who_is_not(visitors: dict[str, Client], part: int) -> None:
    wrong = []
    for number, (route, (read, write)) in enumerate(sorted(TABLE.items())):
        if number % 4 != part or route == "sign-out/":  # after which nobody is signed in
            continue
        for method, who in (("get", read), ("post", write)):
            for actor, browser in visitors.items():
                seen = _ask(browser, method, filled(route))
                if seen == "no such act" and method == "post":
                    seen = _ask(browser, "patch", filled(route))
                if seen not in expected(route, WHO[who], actor):
                    wrong.append((route, method, actor, seen))
    assert wrong == []


def _ask(browser: Client, method: str, address: str) -> str:
    with transaction.atomic():
        answer = getattr(browser, method)(address)
        transaction.set_rollback(True)
    return outcome(answer)


def test_the_admin_is_for_superusers_and_nobody_of_the_works_or_their_customers(
    visitors: dict[str, Client],
) -> None:
    admin = [route for route in routes() if route.startswith(ADMIN)]
    assert len(admin) > 50
    open_to_all = {"admin/login/", "admin/logout/"}
    for route in sorted(set(admin) - open_to_all):
        for actor, browser in visitors.items():
            seen = _ask(browser, "get", filled(route).replace("(.*)", "x"))
            assert seen == ("sign in" if actor == STRANGER else "refused"), (route, actor)
    for actor, browser in visitors.items():
        last = browser.get("/admin/", follow=True)
        assert last.status_code == (200 if actor == STRANGER else 403), actor
        assert "<h1>" in last.content.decode()
    superuser = Client()
    superuser.force_login(get_user_model().objects.create_superuser("root"))
    assert superuser.get("/admin/").status_code == 200


def test_a_user_without_a_part_in_the_works_is_let_in_nowhere(works: SimpleNamespace) -> None:
    nobody = Client()
    nobody.force_login(get_user_model().objects.create_user("nobody"))
    open_to_all = WHO["all"], WHO["signed in"]
    for route, (read, _) in sorted(TABLE.items()):
        if WHO[read] not in open_to_all:
            seen = _ask(nobody, "get", filled(route))
            assert seen in {"refused", "no such act"}, (route, seen)
