"""The daily chores: once a day whoever does them, and one that fails stops nothing."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.core.management import CommandError, call_command

from lots import clock
from lots.keeping import chores
from lots.keeping.backup_folder import choose_folder, kept
from lots.keeping.chores import last_ran, run_due
from lots.ledger.recording import Act
from tests.reports.keeping.conftest import EVENING

pytestmark = pytest.mark.django_db
ALL = ["seals", "traces", "warnings", "events", "books", "backup"]


def test_each_is_done_once_a_day(books: Act, stick: Path) -> None:
    choose_folder(str(stick), passphrase="a bar for the assayer", by="Ada")
    with clock.at(EVENING):
        ran = run_due()
    assert ran is not None
    assert {name: each.is_well for name, each in ran.items()} == dict.fromkeys(ALL, True)
    assert str(kept().last) in ran["backup"].said
    with clock.at(EVENING + dt.timedelta(hours=5)):
        assert run_due() == ran
    with clock.at(EVENING + dt.timedelta(hours=6)):  # midnight
        assert run_due() != ran
    assert len(list(stick.iterdir())) == 2


def test_once_another_folder_is_chosen_the_next_backup_goes_there_the_same_day(
    books: Act, stick: Path
) -> None:
    with clock.at(EVENING):
        run_due()
        assert list(stick.iterdir()) == []
    with clock.at(EVENING + dt.timedelta(minutes=5)):
        choose_folder(str(stick), passphrase="", by="Ada")
        before = last_ran()
        ran = run_due()
        assert ran is not None
        assert [name for name in ran if ran[name] != before[name]] == ["backup"]
        assert len(list(stick.iterdir())) == 1
        assert run_due() == ran


def test_what_fails_is_told_stops_nothing_and_is_tried_again_in_an_hour(
    books: Act, stick: Path, caplog: pytest.LogCaptureFixture
) -> None:
    choose_folder(str(stick), passphrase="", by="Ada")
    with clock.at(EVENING):
        run_due()
    away = stick.rename(stick.with_name("pulled out"))
    tomorrow = EVENING + dt.timedelta(days=1)
    with clock.at(tomorrow), pytest.raises(CommandError, match=r"Not done: backup\."):
        call_command("daily")
    ran = last_ran()
    assert [name for name, each in ran.items() if not each.is_well] == ["backup"]
    assert (ran["backup"].well_at, ran["books"].well_at) == (EVENING, tomorrow)
    assert ran["backup"].said.startswith(f"There is no folder {stick}")
    assert "daily chore backup failed: InvalidError" in caplog.text
    away.rename(stick)
    with clock.at(tomorrow + dt.timedelta(minutes=59)):
        run_due()
        assert last_ran() == ran
    with clock.at(tomorrow + dt.timedelta(minutes=60)):
        call_command("daily")
    assert len(list(stick.iterdir())) == 2


def test_a_full_disk_is_told_in_words(
    books: Act, stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*args: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("lots.keeping.backup.write_archive", full)
    run_due()
    assert "No space left on device" in last_ran()["backup"].said
    assert kept().last is None


def test_books_that_are_not_sound_are_told_and_no_older_backup_goes(
    books: Act, stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    choose_folder(str(stick), passphrase="", by="Ada")
    for day in range(9):
        with clock.at(EVENING + dt.timedelta(days=day)):
            chores.chores()["backup"]()
    assert len(list(stick.iterdir())) == 7
    unsound = SimpleNamespace(check=SimpleNamespace(name="links"), found=3)
    for where in ("chores", "restore"):
        monkeypatch.setattr(f"lots.keeping.{where}.run_checks", lambda **asked: [unsound])
    with clock.at(EVENING + dt.timedelta(days=10)):
        run_due()
    assert last_ran()["books"].said.startswith("The ledger is not sound: links (3)")
    assert len(list(stick.iterdir())) == 8
