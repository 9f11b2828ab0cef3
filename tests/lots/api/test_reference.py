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


def test_quantities_of_reference_data_have_units_people_use(api_as, works):
    office = api_as(works.manager)
    made = office.post("/api/v1/balances/", {"name": "Kitchen scale", "readability": "0.1 g"})
    assert made.status_code == 201
    scale = made.json()
    assert (scale["code"], scale["capacity"], scale["calibration_due"]) == (
        "kitchen-scale",
        None,
        None,
    )
    assert (scale["standard_uncertainty"]["ug"], scale["uncertainty_is_supposed"]) == (28_868, True)
    capacity = {"value": "3", "unit": "kg"}
    edited = office.patch(
        "/api/v1/balances/kitchen-scale/", {"capacity": capacity}, headers={"If-Match": "1"}
    )
    assert edited.json()["capacity"]["g"] == "3000.000000"
    assert edited.json()["uncertainty_is_supposed"] is True
    bare = office.post("/api/v1/balances/", {"name": "Other", "readability": "0.1"})
    assert (bare.status_code, bare.json()["field"]) == (400, "readability")
    older = office.post("/api/v1/balances/", {"name": "Other", "readability_ug": 100_000})
    assert (older.status_code, older.json()["field"]) == (400, "readability")


def test_a_cell_is_added_by_litres_and_is_a_place_of_its_own(api_as, works):
    office = api_as(works.manager)
    body = {
        "name": "Jug cell",
        "bath_volume": "3 L",
        "current_limit_a": "9",
        "fuse_rating_a": "10",
        "filter_cloth": "polypropylene, 5 µm",
    }
    made = office.post("/api/v1/cells/", body)
    assert made.status_code == 201
    assert (made.json()["code"], made.json()["place"]) == ("jug-cell", "jug-cell")
    assert made.json()["bath_volume"] == {"ul": 3_000_000, "l": "3"}
    assert Place.objects.get(code="jug-cell").area == "cell"
    for wrong, code, field in (
        ({"bath_volume": "3"}, "unknown_unit", "bath_volume"),
        ({"bath_volume": "0 L"}, "not_positive", "bath_volume"),
        ({"basket_max": "2"}, "not_a_number", "basket_max"),
        ({"filter_cloth": "x" * 81}, None, "filter_cloth"),
    ):
        answer = office.post("/api/v1/cells/", {**body, "name": "Other", **wrong})
        assert (answer.status_code, answer.json()["field"]) == (400, field)
        assert code is None or answer.json()["code"] == code
    assert not Place.objects.filter(code="other").exists()
