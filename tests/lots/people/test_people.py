"""A person gets a sign-in with a role, another role, is switched off and on; all is on record."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser
from django.db import IntegrityError, transaction
from django.test import Client

from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.ledger.seal_findings import rows_not_as_sealed
from lots.models import ApiToken, Person, PersonChange, SealedRow
from lots.people.acting import managers
from lots.people.people import add_person, change_details, change_role, switch_off, switch_on
from lots.people.person_record import ON_THE_MACHINE
from lots.people.tokens import make_token
from tests.refused import refused

CHOSEN = "wet-granules-7-am"
MACHINE = Act(who=ON_THE_MACHINE)


def added(username: str = "ada", role: str = "operator", **more: Any) -> Any:
    return add_person(**{"username": username, "role": role, "act": MACHINE} | more)


def record_of(person: Person) -> list[tuple[str, str, str | None]]:
    """What was done, the role then and by whom, from the first act on."""
    changes = PersonChange.objects.filter(person=person).order_by("id")
    return list(changes.values_list("what", "role", "by__username"))


@pytest.fixture
def manager(works: SimpleNamespace) -> Act:
    return Act(who=works.manager, note="as agreed")


@pytest.fixture
def signed_in(works: SimpleNamespace) -> SimpleNamespace:
    """The operator in a browser, and a program with the operator's key."""
    browser = Client()
    browser.force_login(works.operator)
    _, key = make_token(
        user=works.operator, created_by=works.operator, name="scales", scopes=["read"], days=1
    )
    person = Person.objects.get(user=works.operator)
    headers = {"Authorization": f"Bearer {key}"}
    return SimpleNamespace(browser=browser, headers=headers, person=person)


def doors(inside: SimpleNamespace) -> tuple[int, int]:
    """How the session and the key are answered."""
    page = inside.browser.get("/bench/").status_code
    return page, Client().get("/api/v1/lots/", headers=inside.headers).status_code


def test_a_person_is_added_with_a_password_for_the_first_sign_in(works: Any) -> None:
    person = added(role="assayer", name="Ada Holm", email="ada@example.org", way_in="password")
    assert (person.role, person.party, person.must_change_password) == ("assayer", None, True)
    assert (person.user.get_full_name(), person.user.email) == ("Ada Holm", "ada@example.org")
    assert person.user.check_password(person.password)
    assert len(person.password.replace("-", "")) == 16
    assert not person.user.is_staff
    assert added("ben", way_in="password").password != person.password
    assert record_of(person) == [("added", "assayer", None), ("password", "assayer", None)]


def test_a_customer_looks_at_one_customers_metal(works: Any) -> None:
    assert added("ida", "customer", party=works.pellow).party == works.pellow


def test_somebody_who_can_sign_in_and_has_no_role_is_given_one_and_keeps_the_password(
    works: Any,
) -> None:
    user = get_user_model().objects.create_user("root", password=CHOSEN)
    person = added("root", "manager", name="Rut Larsen")
    assert (person.user, person.must_change_password) == (user, False)
    assert not hasattr(person, "link")
    user.refresh_from_db()
    assert user.check_password(CHOSEN)
    assert user.get_full_name() == "Rut Larsen"


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"username": " "}, "empty", "username"),
        ({"username": "a" * 151}, "too_long", "username"),
        ({"username": "ada holm"}, "not_a_username", "username"),
        ({"username": "ada\x00"}, "not_text", "username"),
        ({"username": "operator"}, "username_taken", "username"),
        ({"username": "Operator"}, "username_taken", "username"),
        ({"role": "boss"}, "unknown_choice", "role"),
        ({"name": "a" * 151}, "too_long", "name"),
        ({"name": "a\x07"}, "not_text", "name"),
        ({"email": "ada"}, "not_an_email", "email"),
        ({"email": "a" * 250 + "@example.org"}, "too_long", "email"),
        ({"way_in": "door"}, "unknown_choice", "way_in"),
        ({"role": "customer"}, "party_needed", "party"),
        ({"role": "customer", "party": "house"}, "not_a_customer", "party"),
        ({"role": "customer", "party": "laboratory"}, "not_a_customer", "party"),
        ({"role": "operator", "party": "brackwater"}, "party_not_asked", "party"),
    ],
)
def test_adding_a_person_is_refused(works: Any, given: Any, code: str, field: str) -> None:
    if "party" in given:
        given = {**given, "party": getattr(works, given["party"])}
    with refused(code, field):
        added(**given)


def test_nobody_is_added_for_a_customer_no_longer_dealt_with(works: Any) -> None:
    works.pellow.is_active = False
    works.pellow.save()
    with refused("not_a_customer", "party"):
        added(role="customer", party=works.pellow)


def test_somebody_no_longer_in_use_is_given_no_role(works: Any) -> None:
    get_user_model().objects.create_user("gone", is_active=False)
    with refused("username_taken", "username"):
        added("gone")


def test_switching_off_ends_sessions_and_keys_and_switching_on_brings_none_back(
    works: Any, manager: Act, signed_in: SimpleNamespace
) -> None:
    assert doors(signed_in) == (200, 200)
    switch_off(person=signed_in.person, act=manager)
    assert doors(signed_in) == (302, 401)
    switch_on(person=signed_in.person, act=manager)
    assert doors(signed_in) == (302, 401)
    assert record_of(signed_in.person) == [
        ("found", "operator", None),
        ("off", "operator", "manager"),
        ("on", "operator", "manager"),
    ]
    token = ApiToken.objects.get(user=works.operator)
    assert (token.revoked_by, token.revoked_at is None) == (works.manager, False)


def test_another_role_ends_sessions_and_keys(
    works: Any, manager: Act, signed_in: SimpleNamespace
) -> None:
    others = Client()
    others.force_login(works.assayer)
    change_role(person=signed_in.person, role="assayer", act=manager)
    assert doors(signed_in) == (302, 401)
    assert others.get("/bench/").status_code == 200
    assert record_of(signed_in.person)[-1] == ("role", "assayer", "manager")
    change_role(person=signed_in.person, role="customer", party=works.pellow, act=manager)
    change_role(person=signed_in.person, role="customer", party=works.brackwater, act=manager)
    assert Person.objects.get(pk=signed_in.person.pk).party == works.brackwater


def test_a_name_and_an_e_mail_change_and_sessions_stay(
    works: Any, manager: Act, signed_in: SimpleNamespace
) -> None:
    change_details(person=signed_in.person, name="Sam  Oake", email="s@example.org", act=manager)
    assert doors(signed_in) == (200, 200)
    works.operator.refresh_from_db()
    assert (works.operator.get_full_name(), works.operator.email) == ("Sam Oake", "s@example.org")
    assert PersonChange.objects.first().name == "Sam Oake"  # type: ignore[union-attr]


def test_the_last_manager_is_neither_switched_off_nor_given_another_role(
    works: Any, manager: Act
) -> None:
    last = Person.objects.get(user=works.manager)
    get_user_model().objects.create_superuser("root")
    with refused("last_manager", "person"):
        switch_off(person=last, act=manager)
    with refused("last_manager", "role"):
        change_role(person=last, role="accountant", act=manager)
    second = added("ada", "manager", act=manager)
    switch_off(person=last, act=Act(who=second.user))
    with refused("last_manager", "person"):
        switch_off(person=second, act=Act(who=second.user))


@pytest.mark.parametrize(
    ("act_on", "given", "code", "field"),
    [
        (change_role, {"role": "operator"}, "person_as_before", "role"),
        (change_role, {"role": "boss"}, "unknown_choice", "role"),
        (change_role, {"role": "customer"}, "party_needed", "party"),
        (change_details, {}, "person_as_before", "name"),
        (change_details, {"name": "a" * 151}, "too_long", "name"),
        (change_details, {"email": "a@"}, "not_an_email", "email"),
        (switch_on, {}, "person_on", "person"),
    ],
)
def test_a_change_that_is_none_or_can_not_be_is_refused(
    works: Any, manager: Act, act_on: Any, given: Any, code: str, field: str
) -> None:
    person = Person.objects.get(user=works.operator)
    with refused(code, field):
        act_on(person=person, act=manager, **given)


def test_who_is_off_is_not_switched_off_again(works: Any, manager: Act) -> None:
    person = Person.objects.get(user=works.operator)
    switch_off(person=person, act=manager)
    with refused("person_off", "person"):
        switch_off(person=person, act=manager)


def test_only_a_superuser_acts_on_a_superuser(works: Any, manager: Act) -> None:
    root = get_user_model().objects.create_superuser("root", password=CHOSEN)
    with refused("superusers_own", "username"):
        added("root", "operator", act=manager)
    person = added("root", "manager")
    for act_on in (switch_off, change_details):
        with refused("superusers_own", "person"):
            act_on(person=person, act=manager)
    change_details(person=person, name="Rut", act=Act(who=root))


def test_every_act_is_sealed_and_kept(works: Any, manager: Act) -> None:
    person = added(act=manager)
    switch_off(person=person, act=manager)
    assert PersonChange.objects.first().note == "as agreed"  # type: ignore[union-attr]
    sealed = SealedRow.objects.filter(layout__table_name="lots_personchange")
    assert sealed.count() == PersonChange.objects.count() == 3
    assert list(rows_not_as_sealed({"lots_personchange"})) == []
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        PersonChange.objects.update(role="manager")


def people_found() -> list[dict[str, object]]:
    return [row for each in run_checks() if each.check.name == "people" for row in each.rows]


def test_a_role_or_a_person_that_no_act_gave_is_found(works: Any, manager: Act) -> None:
    person = added(act=manager)
    assert people_found() == []
    Person.objects.filter(pk=person.pk).update(role="manager")
    assert [row["found"] for row in people_found()] == ["not as recorded"]
    Person.objects.filter(pk=person.pk).update(role="operator")
    user: AbstractBaseUser = get_user_model().objects.create_user("eve")
    Person.objects.create(user=user, role="manager")
    assert [(row["username"], row["found"]) for row in people_found()] == [
        ("eve", "never recorded")
    ]


def test_the_managers_to_ask_are_those_who_can_sign_in(works: Any) -> None:
    added("ada", "manager", name="Ada Holm")
    away = added("ben", "manager")
    switch_off(person=away, act=MACHINE)
    assert managers() == ["Ada Holm", "manager"]


def test_nobody_without_a_role_makes_a_key(works: Any) -> None:
    user = get_user_model().objects.create_user("passer-by")
    with refused("scope_above_role", "scopes"):
        make_token(user=user, created_by=user, name="scales", scopes=["read"], days=1)


def test_before_there_is_a_manager_a_superuser_is_asked(works: Any) -> None:
    Person.objects.all().delete()
    get_user_model().objects.create_superuser("root")
    assert managers() == ["root"]
