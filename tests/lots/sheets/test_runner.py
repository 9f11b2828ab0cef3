"""A long import is recorded beside its request: once, whole, and again after a stop."""

from __future__ import annotations

import pytest
from django.urls import reverse

from lots.ledger.recording import Act
from lots.models import ImportDraft, Movement, SheetImport
from lots.sheets import runner
from lots.sheets.runner import begin_recording, progress_of
from tests.imported import lines, sent

HEAD = ["Brought by", "Place", "When", "Gross, g", "Balance", "Silver, ‰"]
TRAY = ["brackwater", "feed-shelf", "2026-05-04 09:30", "1000", "bench", "925"]
IN_MEMORY = {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}


@pytest.fixture
def by_manager(emptied_database, works, settings):
    settings.CACHES = {"default": IN_MEMORY, "progress": {**IN_MEMORY, "LOCATION": "progress"}}
    return Act(who=works.manager)


@pytest.fixture
def draft(by_manager):
    return sent("receipts", lines(HEAD, *[TRAY] * 6), by_manager)


def test_it_is_recorded_once_however_often_it_is_begun_and_tells_how_far_it_is(
    draft, by_manager, monkeypatch
):
    told = []
    monkeypatch.setattr(runner, "_TOLD_EVERY_S", 0)
    monkeypatch.setattr(runner, "_tell", lambda pk, done: told.append(done))
    for thread in [begin_recording(draft=draft, act=by_manager) for _ in range(2)]:
        thread.join()
    made = SheetImport.objects.get()
    assert (made.row_count, Movement.objects.count()) == (6, 6)
    draft.refresh_from_db()
    assert (draft.state, draft.sheet_import) == ("recorded", made)
    assert {1, 2, 3, 4, 5, 6} <= set(told)


def test_what_is_refused_is_told_on_the_draft_and_nothing_is_recorded(draft, by_manager, works):
    works.balance.capacity_ug = 1
    works.balance.save()
    begin_recording(draft=draft, act=by_manager).join()
    draft.refresh_from_db()
    assert (draft.state, draft.failure["code"]) == ("checked", "rows_refused")
    assert len(draft.findings["problems"]) == 6
    assert not Movement.objects.exists()
    assert not progress_of(draft).is_heard


def test_a_fault_of_the_server_leaves_nothing_and_it_can_be_recorded_again(
    draft, by_manager, monkeypatch, browse_as, works
):
    def fault(done):
        if done == 3:
            raise RuntimeError("a fault planted by the test")

    real = runner.telling
    monkeypatch.setattr(runner, "telling", lambda told: real(fault))
    begin_recording(draft=draft, act=by_manager).join()
    draft.refresh_from_db()
    assert (draft.state, draft.failure["code"]) == ("checked", "broken_off")
    assert not Movement.objects.exists()
    monkeypatch.undo()
    page = browse_as(works.manager).get(reverse("import-draft", args=[draft.pk])).content.decode()
    assert "broken off by a fault of the server" in page
    begin_recording(draft=draft, act=by_manager).join()
    assert Movement.objects.count() == 6


def test_a_disk_that_takes_no_progress_keeps_nothing_from_being_recorded(
    draft, by_manager, settings, tmp_path
):
    (tmp_path / "in-the-way").write_text("a file where the folder should be")
    settings.CACHES = {
        "default": IN_MEMORY,
        "progress": {
            "BACKEND": "django.core.cache.backends.filebased.FileBasedCache",
            "LOCATION": str(tmp_path / "in-the-way"),
        },
    }
    begin_recording(draft=draft, act=by_manager).join()
    assert Movement.objects.count() == 6
    assert progress_of(draft).done == 0


def test_after_a_stop_of_the_server_the_page_offers_to_record_it_again(draft, browse_as, works):
    ImportDraft.objects.filter(pk=draft.pk).update(state="recording")
    office = browse_as(works.manager)
    office.post(reverse("import-discard", args=[draft.pk]))
    page = office.get(reverse("import-draft", args=[draft.pk])).content.decode()
    assert "Nothing more is heard of it" in page
    office.post(reverse("import-record", args=[draft.pk]), {})
    assert Movement.objects.count() == 6
