"""Today says where the last verified backup is, and what is wrong with it."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.test import Client

from lots import clock
from lots.keeping import chores
from lots.keeping.backup_folder import choice, choose_folder, kept
from reports.queries.backup_matters import backup_matters

NOW = dt.datetime(2026, 5, 4, 18, tzinfo=dt.UTC)


@pytest.fixture
def stick(tmp_path: Path, settings: SimpleNamespace) -> Path:
    settings.DATA_DIR = tmp_path / "data"
    settings.DATA_DIR.mkdir()
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


def backed_up(folder: Path, age: dt.timedelta) -> None:
    (folder / f"ledger-{choice().mark}-{NOW - age:%Y%m%dT%H%M%SZ}.backup").touch()


def said() -> list[str]:
    return [each.text for each in backup_matters(kept(), NOW)]


def test_without_a_folder_it_asks_for_one(stick):
    assert said() == ["No folder is chosen for backups, so they lie on the same disk as the books"]


def test_after_three_days_the_last_one_is_old(stick):
    choose_folder(str(stick), passphrase="", by="Ada")
    assert said() == ["No verified backup lies in the folder yet"]
    backed_up(stick, dt.timedelta(days=3, seconds=1))
    assert said() == ["The last verified backup is old"]
    backed_up(stick, dt.timedelta(days=3))
    assert said() == []


def test_a_folder_that_is_gone_and_a_chore_that_failed_are_said(stick, db, monkeypatch):
    choose_folder(str(stick), passphrase="", by="Ada")
    stick.rmdir()
    chores.run_due()
    assert said() == [f"The folder for backups is gone: {stick}"]

    def fail() -> str:
        raise chores.ChoreError("The ledger is not sound: links (1).")

    monkeypatch.setattr(chores, "_check", fail)
    with clock.at(NOW + dt.timedelta(minutes=1)):
        chores.run_due(again=True)
    assert said()[1:] == ["Daily chore failed: books. The ledger is not sound: links (1)."]


def test_today_says_when_the_last_one_was_made_and_leads_managers_to_the_page(works, stick):
    choose_folder(str(stick), passphrase="", by="Ada")
    backed_up(stick, dt.timedelta(days=4))
    client = Client()
    client.force_login(works.operator)
    page = client.get("/").content.decode()
    assert "Last verified backup" in page
    assert "older than three days" in page
    assert "/works/backups/" not in page
    client.force_login(works.manager)
    page = client.get("/").content.decode()
    assert '<a href="/works/backups/">The last verified backup is old</a>' in page
    with clock.at(NOW - dt.timedelta(days=2)):
        assert "older than three days" not in client.get("/").content.decode()
