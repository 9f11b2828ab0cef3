"""`manage.py add_person` adds one and prints the password for the first sign-in."""

from __future__ import annotations

import pytest
from django.contrib.auth import get_user_model
from django.core.management import CommandError, call_command
from django.test import Client

from lots.models import Person


@pytest.mark.parametrize("role", ["operator", "assayer", "accountant", "manager"])
def test_each_role_is_given_and_its_password_opens_the_door(works, capsys, role):
    call_command("add_person", "ada", "--role", role, "--name", "Ada Holm")
    said = capsys.readouterr()
    person = Person.objects.get(user__username="ada")
    assert (person.role, person.user.get_full_name()) == (role, "Ada Holm")
    sent = {"username": "ada", "password": said.out.strip()}
    assert Client().post("/sign-in/", sent).status_code == 302
    assert "must be changed" in said.err


def test_a_customer_is_added_with_their_party(works, capsys):
    call_command("add_person", "ida", "--role", "customer", "--party", "pellow-dane")
    assert capsys.readouterr().out.strip()
    assert Person.objects.get(user__username="ida").party == works.pellow


def test_who_can_sign_in_already_keeps_the_password(works, capsys):
    get_user_model().objects.create_user("root", password="wet-granules-7-am")
    call_command("add_person", "root", "--role", "manager")
    said = capsys.readouterr()
    assert (said.out, "password as before" in said.err) == ("", True)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["operator", "--role", "operator"], "username_taken: "),
        (["ada", "--role", "customer"], "party_needed: "),
        (["ada", "--role", "boss"], "invalid choice: 'boss'"),
        (["ada"], "required: --role"),
    ],
)
def test_what_can_not_be_is_said_in_one_sentence(works, options, says):
    with pytest.raises(CommandError, match=says):
        call_command("add_person", *options)
    assert not Person.objects.filter(user__username="ada").exists()
