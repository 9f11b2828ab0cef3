"""A lot's later steps through the API: the plain day of each, and what it is refused for."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from lots.ledger.holdings import claims_of, holding
from lots.models import Document, Excess, Lot, Place
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.taking import Take
from tests.builders import receive, row_counts, weighed_output
from tests.refused import check_refusal


@pytest.fixture
def lot(works: SimpleNamespace, act: Any) -> Lot:
    """100 g of sterling, the house's."""
    Place.objects.create(code="bench-lab", name="Laboratory bench", area="laboratory")
    return receive(works, act(0))


@pytest.fixture
def isoldes(works: SimpleNamespace, act: Any) -> Lot:
    return receive(works, act(0), owner=works.brackwater)


def post(client: Any, lot: Lot, step: str, **body: Any) -> Any:
    return client.post(f"/api/v1/lots/{lot.code}/{step}/", body)


def weighed(grams: str) -> dict[str, str]:
    return {"gross": f"{grams} g", "balance": "bench"}


def test_a_lot_is_melted(api, lot):
    answer = post(
        api,
        lot,
        "melt",
        form="granules",
        place="melt-bench",
        weight=weighed("99"),
        lost={"Cu": "1 g"},
        cause="fume",
    )
    assert answer.status_code == 201, answer.content
    melted = answer.json()
    assert melted["mass"]["g"] == "99.000000"
    assert melted["metals"]["Ag"]["g"] == "92.500000"
    assert melted["cautions"]
    again = post(api, lot, "melt", form="granules", place="melt-bench")
    assert again.status_code == 409


def test_a_sample_is_taken_and_used_up(api, lot):
    taken = post(api, lot, "samples", place="bench-lab", mass="2 g")
    assert (taken.status_code, taken.json()["form"]) == (201, "sample")
    sample = Lot.objects.get(code=taken.json()["code"])
    used = post(api, sample, "use-up", mass="0.5 g")
    assert used.status_code == 201
    assert holding(sample).mass_ug == 1_500_000
    check_refusal(post(api, lot, "use-up"), 400, "not_a_sample", "sample")
    check_refusal(post(api, lot, "samples", place="bench-lab"), 400, "one_quantity_needed", "mass")
    check_refusal(
        post(api, lot, "samples", place="fine-safe", mass="1 g"), 400, "not_a_laboratory", "place"
    )


def test_a_check_weighings_difference_is_posted_once(api, lot):
    weighing = post(api, lot, "weighings", weight=weighed("99.9")).json()["id"]
    address = f"/api/v1/weighings/{weighing}/post-difference/"
    check_refusal(api.post(address, {}), 400, "required", "reason")
    posted = api.post(address, {"reason": "the scoop was dusty"})
    assert posted.status_code == 201
    assert holding(lot).mass_ug == 99_900_000
    check_refusal(api.post(address, {"reason": "again"}), 409, "already_posted", "weighing")


def test_measurements_are_withdrawn_once_and_stay(api, api_as, lot, works):
    weighing = post(api, lot, "weighings", weight=weighed("99.9")).json()["id"]
    address = f"/api/v1/weighings/{weighing}/withdraw/"
    assert api.post(address, {"reason": "wrong lot"}).status_code == 201
    check_refusal(
        api.post(address, {"reason": "wrong lot"}), 409, "already_withdrawn", "measurement"
    )
    assert api.get(f"/api/v1/weighings/{weighing}/").json()["withdrawn"] == "wrong lot"
    report = {
        "method": "xrf",
        "laboratory": "quay-lab",
        "results": {"Ag": {"value": "925", "standard_uncertainty": "1"}},
    }
    assay = post(api, lot, "assays", assay=report).json()["id"]
    address = f"/api/v1/assays/{assay}/withdraw/"
    assert api.post(address, {"reason": "x"}).status_code == 403
    withdrawn = api_as(works.assayer).post(address, {"reason": "drift"})
    assert (withdrawn.status_code, withdrawn.json()["assay"]) == (201, assay)


def test_a_lot_changes_owner_as_a_claim_and_the_claim_is_settled(api, api_as, isoldes, works):
    office = api_as(works.accountant)
    assert post(api, isoldes, "owner", owner="tern-quay").status_code == 403
    moved = post(office, isoldes, "owner", owner="tern-quay", as_claim=True)
    assert moved.status_code == 201
    assert claims_of(works.brackwater)["Ag"] == 92_500_000
    body = {"owner": "brackwater", "metals": {"Ag": "92.5 g"}}
    settled = office.post("/api/v1/claims/settle/", body)
    assert settled.status_code == 201, settled.content
    assert "Ag" not in claims_of(works.brackwater)
    before = row_counts()
    over = office.post("/api/v1/claims/settle/", body)
    assert (over.status_code, over.json()["code"]) == (409, "claim_overdrawn")
    check_refusal(post(office, isoldes, "owner", owner="tern-quay"), 400, "same_owner", "owner")
    assert row_counts() == before


def test_a_lot_is_shipped_or_returned_with_its_cautions(api, lot, isoldes):
    shipped = post(api, lot, "ship", to="pellow-dane", weight=weighed("100"))
    assert (shipped.status_code, shipped.json()["kind"]) == (201, "shipment")
    assert shipped.json()["cautions"]
    before = row_counts()
    check_refusal(post(api, isoldes, "ship", to="tern-quay"), 400, "shipped_to_the_house", "to")
    check_refusal(
        post(api, isoldes, "return", customer="pellow-dane"), 400, "not_theirs", "customer"
    )
    assert post(api, lot, "ship", to="pellow-dane").status_code == 409
    assert row_counts() == before
    assert post(api, isoldes, "return", customer="brackwater").status_code == 201
    assert Lot.objects.get(pk=isoldes.pk).state == "returned"


def test_a_lot_is_set_aside_and_released_by_the_assayer(api, api_as, lot, works):
    check_refusal(post(api, lot, "quarantine"), 400, "required", "reason")
    check_refusal(post(api, lot, "quarantine", reason=" "), 400, "blank", "reason")
    assert post(api, lot, "quarantine", reason="smells", place="quarantine").status_code == 201
    assert api.get(f"/api/v1/lots/{lot.code}/").json()["state"] == "quarantined"
    split = post(api, lot, "split", parts=[{"mass": "1 g"}])
    assert (split.status_code, split.json()["code"]) == (409, "lot_not_available")
    assert post(api, lot, "release", reason="aired").status_code == 403
    assayer = api_as(works.assayer)
    assert post(assayer, lot, "release", reason="aired").status_code == 201
    check_refusal(post(assayer, lot, "release", reason="aired"), 409, "not_in_quarantine", "lot")


PDF = b"%PDF-1.7 a paper"


def attach(client: Any, lot: Lot, name: str, content: bytes, kind: str = "") -> Any:
    file = SimpleUploadedFile(name, content, content_type=kind or "application/octet-stream")
    return client.post(f"/api/v1/lots/{lot.code}/documents/", {"file": file}, format="multipart")


def test_a_document_is_attached_and_given_back_as_it_was(api, lot, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    kept = attach(api, lot, "note.pdf", PDF)
    assert (kept.status_code, kept.json()["content_type"]) == (201, "application/pdf")
    file = api.get(f"/api/v1/documents/{kept.json()['id']}/file/")
    assert b"".join(file.streaming_content) == PDF
    assert file["Content-Disposition"].startswith("attachment")
    check_refusal(attach(api, lot, "again.pdf", PDF), 409, "already_attached", "file")


@pytest.mark.parametrize(
    ("name", "content", "kind", "code"),
    [
        ("note.pdf", b"MZ not a paper", "", "not_what_it_claims"),
        ("photo.png", PDF, "", "not_what_it_claims"),
        ("note.pdf", PDF, "image/png", "not_what_it_claims"),
        ("run.exe", PDF, "", "type_not_allowed"),
        ("page.html", b"<script>", "text/html", "type_not_allowed"),
        ("empty.pdf", b"", "", "empty_file"),
    ],
)
def test_an_upload_that_is_not_what_it_claims_is_refused(
    api, lot, settings, tmp_path, name, content, kind, code
):
    settings.MEDIA_ROOT = tmp_path
    check_refusal(attach(api, lot, name, content, kind), 400, code, "file")
    assert not Document.objects.exists()
    assert not list(tmp_path.rglob("*.*"))


def test_a_document_without_a_file_is_refused(api, lot):
    answer = api.post(f"/api/v1/lots/{lot.code}/documents/", {}, format="multipart")
    check_refusal(answer, 400, "required", "file")


def test_an_excess_is_explained_once(api, lot, works, act):
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot)]),
        act=act(1),
    )
    record_output(batch=batch, output=weighed_output(works, 103), act=act(2))
    close_batch(batch=batch, act=act(3))
    excess = Excess.objects.first()
    assert excess is not None
    address = f"/api/v1/excesses/{excess.pk}/explain/"
    check_refusal(api.post(address, {}), 400, "required", "explanation")
    told = api.post(address, {"explanation": "the crucible gave back what it had kept"})
    assert (told.status_code, told.json()["state"]) == (201, "explained")
    check_refusal(api.post(address, {"explanation": "more"}), 409, "already_explained", "excess")


def test_a_trace_sums_to_the_microgram_both_ways(api, lot, works, act):
    parts = post(api, lot, "split", parts=[{"mass": "33.333333 g"}], label_rest=True).json()
    part = parts["standings"][0]["lot"]
    back = api.get(f"/api/v1/lots/{part}/trace/").json()
    assert back["direction"] == "back"
    assert (
        sum(each["mass"]["ug"] for each in back["shares"] if each["metal"] == "Ag")
        == holding(Lot.objects.get(code=part)).metals["Ag"]
    )
    ahead = api.get(f"/api/v1/lots/{lot.code}/trace/", {"direction": "forward"}).json()
    assert (
        sum(each["mass"]["ug"] for each in ahead["parts"] if each["metal"] == "Ag")
        == (ahead["total"]["Ag"]["ug"])
    )
    assert {node["key"] for node in ahead["graph"]["nodes"]} >= {lot.code, part}
    wrong = api.get(f"/api/v1/lots/{lot.code}/trace/", {"direction": "up"})
    check_refusal(wrong, 400, "invalid_choice", "direction")
    early = api.get(f"/api/v1/lots/{lot.code}/trace/", {"as_of": "2020-01-01T00:00:00Z"})
    assert early.json()["total"] == {}


def test_a_step_on_a_lot_nobody_has_is_not_found(api, works):
    missing = Lot(code="GR26-9999-9")
    for step, body in (
        ("use-up", {}),
        ("ship", {"to": "brackwater"}),
        ("return", {"customer": "brackwater"}),
        ("quarantine", {"reason": "x"}),
    ):
        check_refusal(post(api, missing, step, **body), 404, "unknown", None)
