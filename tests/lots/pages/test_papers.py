"""Papers of parties on pages: kept by the office, due by a day, unseen by anyone else."""

from __future__ import annotations

import datetime as dt

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils.html import escape

from lots import clock
from lots.local_law import LOCAL_LAW
from lots.models import Document
from tests.builders import receive, row_counts


@pytest.fixture
def office(settings, tmp_path, browse_as, works):
    settings.MEDIA_ROOT = tmp_path
    return browse_as(works.accountant)


def pdf(number):
    content = f"%PDF-1.7 {number}".encode()
    return SimpleUploadedFile(f"p{number}.pdf", content, "application/pdf")


def paper(**changed):
    file = SimpleUploadedFile("passport.pdf", b"%PDF-1.7 invented", "application/pdf")
    return {"key": "paper-1", "file": file, "kind": "identity", **changed}


def test_a_paper_is_kept_and_shown_with_its_day_and_the_note_on_local_law(office, works):
    given = paper(party=works.brackwater.pk, retention_until="2026-05-20")
    answer = office.post(reverse("paper-attach"), given, follow=True)
    kept = Document.objects.get()
    assert (kept.party, kept.lot, kept.kind) == (works.brackwater, None, "identity")
    page = answer.content.decode()
    assert "passport.pdf" in page
    assert "20 May 2026" in page
    assert "ends soon" in page
    assert escape(LOCAL_LAW) in page
    assert escape(LOCAL_LAW) in office.get(reverse("paper-attach")).content.decode()


def test_a_day_that_is_over_is_refused_beside_its_field(office, works):
    before = row_counts()
    given = paper(party=works.brackwater.pk, retention_until="2026-05-01")
    answer = office.post(reverse("paper-attach"), given)
    assert answer.status_code == 400
    assert "retention_passed" in answer.context["form"].errors["retention_until"].as_json()
    assert row_counts() == before


def test_what_a_paper_is_has_to_be_said(office, works):
    begun = office.get(reverse("paper-attach")).context["form"]
    assert begun["kind"].value() is None
    before = row_counts()
    answer = office.post(reverse("paper-attach"), paper(party=works.brackwater.pk, kind=""))
    assert (answer.status_code, set(answer.context["form"].errors)) == (400, {"kind"})
    assert row_counts() == before


def test_papers_are_for_the_office(works, browse_as):
    for name in ("papers", "paper-attach"):
        assert browse_as(works.operator).get(reverse(name)).status_code == 403
        assert browse_as(works.isolde).get(reverse(name)).status_code == 404


def test_a_lots_paper_says_what_it_is_and_until_when(office, works, act):
    lot = receive(works, act(), owner=works.brackwater)
    given = paper(kind="source_declaration", retention_until="2031-05-04")
    assert office.post(reverse("attach", args=[lot.code]), given).status_code == 302
    kept = Document.objects.get()
    assert (kept.lot, kept.kind, str(kept.retention_until)) == (
        lot,
        "source_declaration",
        "2031-05-04",
    )


def test_papers_are_listed_by_how_they_stand_and_narrowed(office, works, act):
    lot = receive(works, act(), owner=works.brackwater)
    for number, (party, kind, until) in enumerate(
        (
            (works.brackwater, "identity", "2026-05-20"),
            (works.pellow, "identity", "2031-01-01"),
            (works.pellow, "contract", ""),
        )
    ):
        file = pdf(number)
        given = {"key": f"p-{number}", "file": file, "kind": kind, "retention_until": until}
        assert office.post(reverse("paper-attach"), {**given, "party": party.pk}).status_code == 302
    file = pdf(3)
    given = {"key": "p-3", "file": file, "kind": "source_declaration"}
    assert office.post(reverse("attach", args=[lot.code]), given).status_code == 302

    def names(**query):
        page = office.get(reverse("papers"), query)
        return [each.name for each, _, _ in page.context["rows"]]

    assert names() == ["p3.pdf", "p2.pdf", "p1.pdf", "p0.pdf"]
    assert names(keeping="ending") == ["p0.pdf"]
    assert names(keeping="running") == ["p1.pdf"]
    assert names(keeping="open") == ["p3.pdf", "p2.pdf"]
    assert names(kind="identity") == ["p1.pdf", "p0.pdf"]
    assert names(about="lot") == ["p3.pdf"]
    # A paper of a lot counts to whoever sent it.
    assert names(party="brackwater") == ["p3.pdf", "p0.pdf"]
    assert names(name="P2") == ["p2.pdf"]
    page = office.get(reverse("papers"))
    counts = {keeping.value: count for keeping, count in page.context["counts"]}
    assert counts == {"over": 0, "ending": 1, "running": 1, "open": 2}
    on_file = {
        each.party.code: [count for _, _, count in each.kinds] for each in page.context["parties"]
    }
    # Identity, source, contract.
    assert on_file == {"brackwater": [1, 1, 0], "pellow-dane": [1, 0, 1]}


def test_a_paper_whose_time_is_over_says_so(office, works):
    given = paper(party=works.brackwater.pk, retention_until="2026-05-20")
    office.post(reverse("paper-attach"), given)
    with clock.at(dt.datetime(2026, 5, 20, 12, tzinfo=dt.UTC)):
        # Until the end of its day it must be kept.
        assert not office.get(reverse("papers"), {"keeping": "over"}).context["rows"]
    with clock.at(dt.datetime(2026, 5, 21, 12, tzinfo=dt.UTC)):
        page = office.get(reverse("papers"), {"keeping": "over"})
    assert [each.name for each, _, _ in page.context["rows"]] == ["passport.pdf"]
    assert "over</span>" in page.content.decode()


def test_a_paper_is_filed_anew_and_itself_unchanged(office, works, browse_as):
    office.post(reverse("paper-attach"), paper(party=works.brackwater.pk))
    kept = Document.objects.get()
    address = reverse("paper-file", args=[kept.pk])
    assert office.get(address).context["form"].initial["kind"] == "identity"
    before = row_counts()
    wrong = office.post(
        address, {"key": "f-0", "kind": "contract", "retention_until": "2020-01-01"}
    )
    assert wrong.status_code == 400
    assert row_counts() == before
    given = {"key": "f-1", "kind": "contract", "retention_until": "2030-01-01"}
    assert office.post(address, given).status_code == 302
    filed = Document.objects.get()
    assert (filed.kind, str(filed.retention_until)) == ("contract", "2030-01-01")
    assert (filed.sha256, filed.name) == (kept.sha256, kept.name)
    assert browse_as(works.operator).get(address).status_code == 403
    assert browse_as(works.isolde).get(address).status_code == 404
