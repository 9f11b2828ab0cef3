"""`manage.py sign_in_link` lets a lone manager in again who forgot the password."""

from __future__ import annotations

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from lots.ledger.recording import Act
from lots.ledger.seal_findings import rows_not_as_sealed
from lots.models import Person, PersonChange, SignInLink
from lots.people.people import switch_off
from lots.people.person_record import ON_THE_MACHINE


def test_a_lone_manager_gets_in_again_and_it_is_on_record(works, capsys):
    call_command(
        "sign_in_link", "manager", "--site", "https://ledger.example/", "--note", "forgot it"
    )
    address, _, key = capsys.readouterr().out.strip().partition("#")
    assert address == "https://ledger.example/sign-in/once/"
    assert key not in repr(list(SignInLink.objects.values()))
    browser = Client()
    assert browser.post("/sign-in/once/", {"key": key}).url == "/password/"
    new = {"new_password1": "wet-granules-7-am", "new_password2": "wet-granules-7-am"}
    assert browser.post("/password/", new).url == "/"
    done = PersonChange.objects.filter(person__user=works.manager).order_by("id")
    assert list(done.values_list("what", "by__username", "note")) == [
        ("found", None, ""),
        ("link", None, "forgot it"),
        ("link_used", "manager", ""),
        ("chosen", "manager", ""),
    ]
    assert list(rows_not_as_sealed({"lots_personchange"})) == []


def test_nobody_and_who_is_off_is_given_none(works):
    with pytest.raises(CommandError, match="unknown_person: "):
        call_command("sign_in_link", "nobody")
    switch_off(person=Person.objects.get(user=works.operator), act=Act(who=ON_THE_MACHINE))
    with pytest.raises(CommandError, match="person_off: "):
        call_command("sign_in_link", "operator")
    assert not SignInLink.objects.exists()
