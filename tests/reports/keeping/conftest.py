"""The demo's three months (invented) with two papers, and blank databases beside them."""

from __future__ import annotations

import datetime as dt
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from django.core.files.base import ContentFile
from django.db import connection
from django.test import override_settings

from lots import clock
from lots.keeping.other_database import pointed_at
from lots.models import Lot, Party, Place
from lots.services.documents import attach_document
from lots.services.recording import Act
from lots.services.transfer import transfer_lot
from reports.demo.wet_work import WetWork

Blank = Callable[[], AbstractContextManager[None]]
_NUMBERS = count(1)


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
def books(blank: Blank, demo: WetWork, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Act]:
    """Three months on the books, with a paper about a lot and one about a party; who recorded."""
    who = demo.bench.cast.people["marit"]
    with override_settings(MEDIA_ROOT=tmp_path_factory.mktemp("papers")):
        for number, about in enumerate(
            ({"lot": Lot.objects.first()}, {"party": Party.objects.get(code="pellow-dane")})
        ):
            attach_document(
                file=ContentFile(b"%PDF-1.4 " + b"\x00\xff" * (number + 1), "paper.pdf"),
                act=Act(who=who),
                **about,
            )
        yield Act(who=who)


def move_a_lot(books: Act) -> None:
    """Puts one lot at hand elsewhere, after all that the demo recorded."""
    with clock.at(dt.datetime(2026, 6, 25, 13, tzinfo=dt.UTC)):
        lot = Lot.objects.filter(state="available").order_by("pk")[0]
        place = Place.objects.exclude(pk=lot.place_id).order_by("pk")[0]
        transfer_lot(lot=lot, place=place, act=Act(who=books.who))
