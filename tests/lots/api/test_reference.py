"""Reference data: created and edited by the office, one version after another."""

from __future__ import annotations

from lots.models import Party, Place


def test_the_office_adds_and_edits_a_place(api_as, works):
    office = api_as(works.manager)
    body = {"code": "drying-oven", "name": "Drying oven", "area": "wet_bench"}
    assert office.post("/api/v1/places/", body).status_code == 201
    shown = office.get("/api/v1/places/drying-oven/")
    assert shown["ETag"] == '"1"'
    edited = office.patch(
        "/api/v1/places/drying-oven/", {"name": "Oven"}, headers={"If-Match": shown["ETag"]}
    )
    assert (edited.status_code, edited.json()["name"], edited["ETag"]) == (200, "Oven", '"2"')


def test_an_edit_on_an_old_version_is_refused(api_as, works):
    office = api_as(works.manager)
    office.patch("/api/v1/places/fine-safe/", {"name": "A"}, headers={"If-Match": "1"})
    late = office.patch("/api/v1/places/fine-safe/", {"name": "B"}, headers={"If-Match": "1"})
    assert (late.status_code, late.json()["code"]) == (409, "version_conflict")
    blind = office.patch("/api/v1/places/fine-safe/", {"name": "C"})
    assert (blind.status_code, blind.json()["code"]) == (400, "version_needed")
    assert Place.objects.get(code="fine-safe").name == "A"


def test_an_operator_may_not_add_a_party(api, works):
    before = Party.objects.count()
    answer = api.post("/api/v1/parties/", {"code": "x", "name": "X", "kind": "customer"})
    assert (answer.status_code, answer.json()["code"]) == (403, "permission_denied")
    assert Party.objects.count() == before


def test_a_second_house_is_refused(api_as, works):
    answer = api_as(works.manager).post(
        "/api/v1/parties/", {"code": "other", "name": "Other", "kind": "house"}
    )
    assert (answer.status_code, answer.json()["code"]) == (409, "one_house")
    assert Party.objects.filter(kind="house").count() == 1


def test_a_code_already_taken_is_refused(api_as, works):
    answer = api_as(works.manager).post(
        "/api/v1/parties/", {"code": "brackwater", "name": "Again", "kind": "customer"}
    )
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (
        409,
        "duplicate_code",
        "code",
    )


def test_a_place_added_twice_with_one_key_is_added_once(api_as, works):
    office = api_as(works.manager)
    body = {"code": "oven", "name": "Oven", "area": "wet_bench"}
    first = office.post("/api/v1/places/", body, headers={"Idempotency-Key": "p-1"})
    second = office.post("/api/v1/places/", body, headers={"Idempotency-Key": "p-1"})
    assert first.json() == second.json()
    assert Place.objects.filter(code="oven").count() == 1
