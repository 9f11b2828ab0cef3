"""A day's books with two papers (invented), and blank databases beside them."""

from __future__ import annotations

import datetime as dt
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from decimal import Decimal
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from django.contrib.auth.models import Permission
from django.core.files.base import ContentFile
from django.db import connection, transaction
from django.test import override_settings

from lots import clock
from lots.keeping import encryption
from lots.keeping.other_database import pointed_at
from lots.ledger.recording import Act
from lots.ledger.reversal import reverse_movement
from lots.measurements.assays import AssayReport, Finding
from lots.models import Lot, Movement, Place
from lots.services.documents import attach_document
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from tests.builders import GRAM, receive, weighed_output
from tests.conftest import build_works
from tests.databases import own_copy

Blank = Callable[[], AbstractContextManager[None]]
_NUMBERS = count(1)
EVENING = dt.datetime(2026, 5, 4, 18, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def blank(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Blank]:
    """Makes this thread's database a new one, migrated and empty, for the length of a block."""
    folder = tmp_path_factory.mktemp("blank")
    with django_db_blocker.unblock():
        if connection.vendor == "sqlite":
            connection.ensure_connection()
            with closing(sqlite3.connect(folder / "blank")) as target:
                connection.connection.backup(target)
            yield lambda: _blank_file(folder)
            return
        name = f"{connection.settings_dict['NAME']}_blank"
        _make(name, str(connection.settings_dict["NAME"]))
        yield lambda: _blank_postgresql(name, folder)
        _drop(name)


@contextmanager
def _blank_file(folder: Path) -> Iterator[None]:
    path = folder / f"{next(_NUMBERS)}.sqlite3"
    shutil.copy(folder / "blank", path)
    with pointed_at(str(path)), override_settings(MEDIA_ROOT=folder / path.stem):
        yield


@contextmanager
def _blank_postgresql(template: str, folder: Path) -> Iterator[None]:
    number = next(_NUMBERS)
    name = f"{template}_{number}"
    _make(name, template)
    try:
        with pointed_at(name), override_settings(MEDIA_ROOT=folder / str(number)):
            yield
    finally:
        _drop(name)


def _make(name: str, template: str) -> None:
    connection.close()
    with connection._nodb_cursor() as cursor:
        cursor.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')
        cursor.execute(f'CREATE DATABASE "{name}" TEMPLATE "{template}"')


def _drop(name: str) -> None:
    with connection._nodb_cursor() as cursor:
        cursor.execute(f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE)')


@pytest.fixture(scope="module")
def books(
    blank: Blank, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Act]:
    """A day's work with a reversal, an assay and two papers; who recorded it."""
    papers = override_settings(MEDIA_ROOT=tmp_path_factory.mktemp("papers"))
    with django_db_blocker.unblock(), own_copy(tmp_path_factory.mktemp("books")), papers:
        with transaction.atomic(), clock.at(EVENING):
            recorded_by = _a_day()
        yield recorded_by


@pytest.fixture
def stick(tmp_path: Path, settings: SimpleNamespace, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that may be chosen, and a DATA_DIR of the test's own."""
    monkeypatch.setattr(encryption, "WORK_LOG2", 10)
    settings.DATA_DIR = tmp_path / "data"
    settings.DATA_DIR.mkdir()
    folder = tmp_path / "stick"
    folder.mkdir()
    return folder


def _a_day() -> Act:
    works = build_works()
    works.operator.set_password("a pass phrase")
    works.operator.save()
    works.operator.user_permissions.add(Permission.objects.order_by("pk")[0])

    def act(hour: int) -> Act:
        return Act(who=works.operator, occurred_at=EVENING.replace(hour=hour), key=f"act {hour}")

    lot = receive(works, act(6), 200)
    isoldes = receive(works, act(7), 50, owner=works.brackwater)
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(lot, 150 * GRAM), Take(isoldes)]),
        act=act(8),
    )
    assay = AssayReport(
        method="titration",
        laboratory=works.laboratory,
        findings={"Ag": Finding(Decimal("924.1"), Decimal("0.4"))},
    )
    record_output(
        batch=batch, output=weighed_output(works, 199, declared=None, assay=assay), act=act(9)
    )
    close_batch(batch=batch, act=act(10))
    mistaken = receive(works, act(11), 10)
    movement = Movement.objects.get(entries__lot=mistaken, entries__metal="Ag")
    reverse_movement(movement=movement, reason='entered "twice",\r\nat 1/2', act=act(12))
    for hour, about in ((13, {"lot": lot}), (14, {"party": works.pellow})):
        attach_document(
            file=ContentFile(b"%PDF-1.4 " + b"\x00\xff" * hour, "paper.pdf"),
            act=act(hour),
            **about,
        )
    return Act(who=works.operator)


def move_a_lot(books: Act) -> None:
    """Puts one lot at hand elsewhere, after all that was recorded."""
    with clock.at(EVENING + dt.timedelta(days=60)):
        lot = Lot.objects.filter(state="available").order_by("pk")[0]
        place = Place.objects.exclude(pk=lot.place_id).order_by("pk")[0]
        transfer_lot(lot=lot, place=place, act=Act(who=books.who))
