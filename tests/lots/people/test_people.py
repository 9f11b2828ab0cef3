"""A person gets a sign-in with a role, and a password that opens nothing but the change of it."""

from __future__ import annotations

import pytest
from django.contrib.auth import get_user_model

from lots.models import ApiToken, Person
from lots.people.acting import managers
from lots.people.people import add_person, choose_password
from lots.people.tokens import make_token
from tests.refused import refused

CHOSEN = "wet-granules-7-am"


def test_a_person_is_added_with_a_password_for_the_first_sign_in(works):
    person, password = add_person(username="ada", role="assayer", name="Ada Holm")
    assert (person.role, person.party, person.must_change_password) == ("assayer", None, True)
    assert person.user.get_full_name() == "Ada Holm"
    assert person.user.check_password(password)
    assert len(password.replace("-", "")) == 16
    assert not person.user.is_staff
    assert add_person(username="ben", role="operator")[1] != password


def test_a_customer_looks_at_one_customers_metal(works):
    person, _ = add_person(username="ida", role="customer", party="pellow-dane")
    assert person.party == works.pellow


def test_somebody_who_can_sign_in_and_has_no_role_is_given_one_and_keeps_the_password(works):
    user = get_user_model().objects.create_user("root", password=CHOSEN)
    person, password = add_person(username="root", role="manager", name="Rut Larsen")
    assert (person.user, password, person.must_change_password) == (user, "", False)
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
        ({"role": "customer"}, "party_needed", "party"),
        ({"role": "customer", "party": "nobody"}, "unknown_name", "party"),
        ({"role": "customer", "party": "tern-quay"}, "not_a_customer", "party"),
        ({"role": "customer", "party": "quay-lab"}, "not_a_customer", "party"),
        ({"role": "operator", "party": "brackwater"}, "party_not_asked", "party"),
    ],
)
def test_adding_a_person_is_refused(works, given, code, field):
    before = get_user_model().objects.count()
    with refused(code, field):
        add_person(**{"username": "ada", "role": "operator"} | given)
    assert get_user_model().objects.count() == before


def test_nobody_is_added_for_a_customer_no_longer_dealt_with(works):
    works.pellow.is_active = False
    works.pellow.save()
    with refused("not_a_customer", "party"):
        add_person(username="ada", role="customer", party="pellow-dane")


def test_somebody_no_longer_in_use_is_given_no_role(works):
    get_user_model().objects.create_user("gone", is_active=False)
    with refused("username_taken", "username"):
        add_person(username="gone", role="operator")


def test_a_password_of_their_own_ends_the_first_one(works):
    person, first = add_person(username="ada", role="operator")
    choose_password(user=person.user, password=CHOSEN)
    person.refresh_from_db()
    assert not person.must_change_password
    assert person.user.check_password(CHOSEN)
    assert not person.user.check_password(first)


@pytest.mark.parametrize(
    ("password", "code"),
    [("", "password_weak"), ("short", "password_weak"), (None, "same_password")],
)
def test_a_password_that_is_weak_or_the_same_is_refused(works, password, code):
    person, first = add_person(username="ada", role="operator")
    with refused(code, "password"):
        choose_password(user=person.user, password=first if password is None else password)
    person.refresh_from_db()
    assert person.must_change_password
    assert person.user.check_password(first)


def test_nobody_makes_a_key_before_they_chose_a_password(works):
    person, _ = add_person(username="ada", role="operator")
    wanted = {"name": "scales", "scopes": ["read"], "days": 1}
    with refused("password_not_chosen", "password"):
        make_token(user=person.user, created_by=person.user, **wanted)
    assert not ApiToken.objects.exists()


def test_the_managers_to_ask_are_those_who_can_sign_in(works):
    add_person(username="ada", role="manager", name="Ada Holm")
    away = add_person(username="ben", role="manager")[0]
    away.user.is_active = False
    away.user.save()
    assert managers() == ["Ada Holm", "manager"]


def test_before_there_is_a_manager_a_superuser_is_asked(works):
    Person.objects.all().delete()
    get_user_model().objects.create_superuser("root")
    assert managers() == ["root"]
