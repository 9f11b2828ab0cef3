"""Papers of parties and lots: of a kind, kept until a day, seen by those who need them."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from lots.local_law import LOCAL_LAW
from lots.models import Document
from tests.builders import receive


@pytest.fixture
def papers(settings, tmp_path, api_as, works):
    """The office's client, and a way to attach a paper."""
    settings.MEDIA_ROOT = tmp_path
    office = api_as(works.accountant)

    def attach(address, number=1, client=office, **given):
        name = f"paper-{number}.pdf"
        file = SimpleUploadedFile(name, b"%PDF-1.7 " + name.encode(), "application/pdf")
        return client.post(f"/api/v1/{address}/documents/", {"file": file, **given}, "multipart")

    return attach


def test_proof_of_identity_is_kept_of_a_party_and_falls_due(papers, api_as, works):
    made = papers("parties/brackwater", kind="identity", retention_until="2031-05-04")
    assert made.status_code == 201, made.content
    assert (made.json()["party"], made.json()["kind"]) == ("brackwater", "identity")
    # By the works' clock, which the tests hold at the end of a day of their own.
    assert made.json()["added_at"].startswith("2026-05-04")
    papers("parties/brackwater", 2, kind="contract")
    office = api_as(works.accountant)
    due = office.get("/api/v1/documents/retention/", {"by": "2031-05-04"}).json()
    assert [each["party"] for each in due["documents"]] == ["brackwater"]
    assert due["local_law"] == LOCAL_LAW
    assert (
        office.get("/api/v1/documents/retention/", {"by": "2031-05-03"}).json()["documents"] == []
    )
    assert office.get("/api/v1/documents/retention/").json()["by"] == "2026-06-03"
    found = office.get("/api/v1/documents/", {"kind": "identity", "party": "brackwater"}).json()
    assert found["count"] == 1
    until = {"kind": "identity", "retention_until": "2033-01-01"}
    longer = office.post(f"/api/v1/documents/{made.json()['id']}/file-as/", until)
    assert longer.json()["retention_until"] == "2033-01-01"


def test_papers_on_persons_are_for_the_office_alone(papers, api, works, act, browse_as):
    lot = receive(works, act(), owner=works.brackwater)
    plain = papers(f"lots/{lot.code}", 1, kind="certificate").json()["id"]
    identity = papers(f"lots/{lot.code}", 2, kind="identity").json()["id"]
    party = papers("parties/brackwater", 3, kind="other").json()["id"]
    assert [each["id"] for each in api.get("/api/v1/documents/").json()["results"]] == [plain]
    for pk, status in ((plain, 200), (identity, 404), (party, 404)):
        for answer in (
            api.get(f"/api/v1/documents/{pk}/file/"),
            browse_as(works.operator).get(reverse("document", args=[pk])),
        ):
            assert answer.status_code == status
            # Read to its end, by which the file is closed.
            assert status == 404 or b"".join(answer.streaming_content).startswith(b"%PDF-")
    shown = browse_as(works.operator).get(reverse("lot", args=[lot.code])).content.decode()
    assert "paper-1.pdf" in shown
    assert "paper-2.pdf" not in shown
    assert papers("parties/brackwater", 4, client=api).status_code == 403
    assert api.get("/api/v1/documents/retention/").status_code == 403


@pytest.mark.parametrize(
    ("given", "code", "field"),
    [
        ({"kind": "poem"}, "invalid_choice", "kind"),
        ({"retention_until": "2026-05-03"}, "retention_passed", "retention_until"),
    ],
)
def test_a_filing_that_cannot_be_is_refused(papers, given, code, field):
    answer = papers("parties/brackwater", **given)
    assert (answer.status_code, answer.json()["code"], answer.json()["field"]) == (400, code, field)
    assert not Document.objects.exists()


def test_a_paper_is_attached_to_a_party_once_and_may_be_attached_to_another(papers):
    assert papers("parties/brackwater").status_code == 201
    again = papers("parties/brackwater")
    assert (again.status_code, again.json()["code"]) == (409, "already_attached")
    assert papers("parties/pellow-dane").status_code == 201
    assert Document.objects.count() == 2


def test_the_day_of_attaching_may_be_the_last(papers):
    today = dt.date(2026, 5, 4)
    assert papers("parties/brackwater", retention_until=str(today)).status_code == 201
