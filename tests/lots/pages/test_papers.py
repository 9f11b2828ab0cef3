"""Papers of parties on pages: kept by the office, due by a day, unseen by anyone else."""

from __future__ import annotations

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils.html import escape

from lots.local_law import LOCAL_LAW
from lots.models import Document
from tests.builders import receive, row_counts


@pytest.fixture
def office(settings, tmp_path, browse_as, works):
    settings.MEDIA_ROOT = tmp_path
    return browse_as(works.accountant)


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
