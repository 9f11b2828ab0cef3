"""A works begins with its first person, once."""

from __future__ import annotations

from dataclasses import replace

import pytest
from django.contrib.auth import get_user_model

from lots.ledger.ledger_checks import run_checks
from lots.models import Party, Person, SealedRow, WorksSettings, WorksZone
from lots.queries.works import works_settings
from lots.queries.works_zone import works_zone
from lots.services.set_up import Beginning, set_up_works, username_from
from lots.services.works import WorksDetails, describe_works

DETAILS = WorksDetails("Gull Street Silver", "1 Gull Street", "eur", ",", "ozt")
FIRST = Beginning("Zoë Holm", "Europe/Amsterdam", one_person=True)
PASSWORD = "crystal grows at night"


@pytest.fixture
def nobody(db, known_set_up, known_zone) -> None:
    """An empty database, of which no process knows anything yet."""
    known_set_up.clear()
    known_zone.clear()


def test_a_works_is_set_up_with_its_first_person(nobody):
    begun = set_up_works(details=DETAILS, beginning=FIRST, password=PASSWORD)
    assert (begun.user.get_username(), begun.password) == ("zoe", "")
    assert begun.user.get_full_name() == "Zoë Holm"
    assert begun.user.check_password(PASSWORD)
    person = Person.objects.get()
    assert (person.role, person.must_change_password) == ("manager", False)
    said = works_settings()
    assert (said.name, said.address, said.currency) == (
        "Gull Street Silver",
        "1 Gull Street",
        "EUR",
    )
    assert (said.decimal_sign, said.mass_unit, said.one_person) == (",", "ozt", True)
    house = Party.objects.get()
    assert (house.name, house.code, house.is_house) == (
        "Gull Street Silver",
        "gull-street-silver",
        True,
    )
    assert works_zone().key == "Europe/Amsterdam"
    sealed = {row.layout.table_name for row in SealedRow.objects.select_related("layout")}
    assert {"lots_workszone", "lots_workssettings"} <= sealed
    assert [each.rows for each in run_checks() if each.found] == []


def test_without_a_password_one_is_made_to_be_changed(nobody):
    begun = set_up_works(details=DETAILS, beginning=FIRST)
    assert begun.user.check_password(begun.password)
    assert Person.objects.get().must_change_password is True


@pytest.mark.parametrize(
    ("details", "beginning", "password", "code", "field"),
    [
        ({}, {"time_zone": "Moon/Sea"}, PASSWORD, "unknown_zone", "time_zone"),
        ({}, {}, "short", "password_weak", "password"),
        ({}, {"username": "two words"}, PASSWORD, "not_a_username", "username"),
        ({"name": " "}, {}, PASSWORD, "empty", "name"),
        ({"name": "x" * 121}, {}, PASSWORD, "too_long", "name"),
        ({"address": "x" * 301}, {}, PASSWORD, "too_long", "address"),
        ({"currency": "EURO"}, {}, PASSWORD, "too_long", "currency"),
        ({"decimal_sign": "'"}, {}, PASSWORD, "unknown_choice", "decimal_sign"),
        ({"mass_unit": "stone"}, {}, PASSWORD, "unknown_choice", "mass_unit"),
    ],
)
def test_what_cannot_be_is_refused_and_nobody_can_sign_in(
    nobody, refused, details, beginning, password, code, field
):
    with refused(code, field):
        set_up_works(
            details=replace(DETAILS, **details),
            beginning=replace(FIRST, **beginning),
            password=password,
        )
    rows = (get_user_model(), Person, Party, WorksSettings, WorksZone)
    assert [model.objects.count() for model in rows] == [0] * 5


def test_it_is_set_up_once(nobody, refused):
    set_up_works(details=DETAILS, beginning=FIRST)
    with refused("already_set_up", None):
        set_up_works(details=DETAILS, beginning=replace(FIRST, username="other"))
    assert get_user_model().objects.count() == 1


def test_a_zone_told_by_the_environment_is_not_contradicted(nobody, refused, settings):
    settings.WORKS_TIME_ZONE = settings.TIME_ZONE = "Asia/Tokyo"
    with refused("zone_fixed", "time_zone"):
        set_up_works(details=DETAILS, beginning=FIRST)


def test_a_works_says_something_else_of_itself(works, act, refused):
    described = describe_works(details=DETAILS, act=act(who=works.manager))
    assert (described.name, described.one_person) == ("Gull Street Silver", False)
    assert described.reason == "The details of the works"
    works.house.refresh_from_db()
    assert (works.house.name, works.house.code) == ("Gull Street Silver", "tern-quay")
    moved = replace(DETAILS, address="2 Gull Street")
    moved_row = describe_works(details=moved, act=act(note="We moved", who=works.manager))
    assert (moved_row.address, moved_row.reason) == ("2 Gull Street", "We moved")
    with refused("settings_as_before", "name"):
        describe_works(details=moved, act=act(who=works.manager))
    assert WorksSettings.objects.count() == 2


@pytest.mark.parametrize(
    ("name", "username"),
    [("Zoë Holm", "zoe"), ("Ada", "ada"), ("李 明", "manager"), ("O'Neil Kim", "oneil")],
)
def test_the_first_name_is_what_one_signs_in_with(name, username):
    assert username_from(name) == username
