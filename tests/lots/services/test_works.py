"""The works says of itself that one person runs it."""

from __future__ import annotations

import pytest
from django.db import IntegrityError, transaction

from lots.ledger.seal_findings import rows_not_as_sealed
from lots.models import SealedRow, WorksSettings
from lots.queries.works import is_one_persons, works_settings
from lots.services.works import say_one_person


def test_each_change_is_a_sealed_row_with_its_reason_and_the_last_one_counts(works, act):
    assert not is_one_persons()
    said = act(note="Only Marit works here now", who=works.manager)
    first = say_one_person(one_person=True, act=said)
    assert is_one_persons()
    say_one_person(one_person=False, act=act(1, note="Somebody joined", who=works.manager))
    assert not is_one_persons()
    assert (first.reason, first.recorded_by) == ("Only Marit works here now", works.manager)
    assert works_settings().reason == "Somebody joined"
    sealed = SealedRow.objects.filter(layout__table_name="lots_workssettings")
    assert sealed.count() == WorksSettings.objects.count() == 2
    assert list(rows_not_as_sealed({"lots_workssettings"})) == []


def test_it_needs_a_reason_and_a_change(works, act, refused):
    with refused("empty", "note"):
        say_one_person(one_person=True, act=act(note="  "))
    with refused("settings_as_before", "one_person"):
        say_one_person(one_person=False, act=act(note="as before"))


def test_what_was_said_is_never_changed(works, act):
    said = say_one_person(one_person=True, act=act(note="alone"))
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        WorksSettings.objects.filter(pk=said.pk).update(one_person=False)


def test_the_page_and_the_api_say_it_for_the_manager(works, api_as, browse_as):
    manager = browse_as(works.manager)
    address = "/works/one-person/"
    form = manager.get(address).context["form"]
    sent = {"key": form["key"].value(), "one_person": "on", "note": ""}
    assert manager.post(address, sent).status_code == 400
    manager.post(address, {**sent, "note": "alone since May"})
    assert "alone since May" in manager.get(address).content.decode()
    api = api_as(works.manager)
    answer = api.post("/api/v1/works/one-person/", {"one_person": False, "note": "two of us"})
    assert answer.status_code == 201
    rows = api.get("/api/v1/works-settings/").json()["results"]
    assert [(row["one_person"], row["recorded_by"]) for row in rows] == [
        (False, "manager"),
        (True, "manager"),
    ]
    assert api_as(works.accountant).post("/api/v1/works/one-person/", {}).status_code == 403
