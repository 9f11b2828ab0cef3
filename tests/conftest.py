"""The cast of the tests: the works, one customer who may look, one who may not."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable, Iterator
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from django.conf import settings as site_settings
from django.contrib.auth import get_user_model
from django.db import DEFAULT_DB_ALIAS, connection
from django.test import Client
from rest_framework.test import APIClient

from config.refusals import RefusalError
from lots import clock
from lots.ledger.recording import Act
from lots.models import Balance, Party, Person, Place, WorksZone
from lots.queries import set_up, works_zone
from tests.browser.chromium import CHROMIUM
from tests.databases import own_copy, unguarded
from tests.refused import refused as refused_block
from tests.refused import repeating

ON_POSTGRESQL = "postgresql" in site_settings.DATABASES["default"]["ENGINE"]
MORNING = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leaves out what needs PostgreSQL on another database, and a browser where there is none."""
    missing = [] if ON_POSTGRESQL else ["postgresql"]
    if not (find_spec("playwright") and shutil.which(CHROMIUM)):
        missing.append("browser")
    left_out = [item for item in items if any(map(item.get_closest_marker, missing))]
    if left_out:
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]


@pytest.fixture(autouse=True)
def held_clock() -> Iterator[None]:
    """Tests live at the end of one working day, so that nothing in them is in the future."""
    with clock.at(MORNING + dt.timedelta(hours=9)):
        yield


@pytest.fixture(autouse=True)
def known_zone(monkeypatch: pytest.MonkeyPatch) -> dict[str, ZoneInfo]:
    """Tests live in Greenwich's time, as if a process had read so in their database.

    A test that has a zone of its own clears this.
    """
    known = {DEFAULT_DB_ALIAS: ZoneInfo("UTC")}
    monkeypatch.setattr(works_zone, "_kept", known)
    return known


@pytest.fixture(autouse=True)
def known_set_up(monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """Tests live in a works that was set up, whoever its people are.

    A test of what comes before clears this.
    """
    known = {DEFAULT_DB_ALIAS}
    monkeypatch.setattr(set_up, "_known", known)
    return known


@pytest.fixture
def keep_time_in(known_zone: dict[str, ZoneInfo], db: None) -> Callable[[str], None]:
    """Makes a zone the works' own."""

    def fix(name: str) -> None:
        WorksZone.objects.create(name=name, fixed_at=MORNING)
        known_zone.clear()

    return fix


@pytest.fixture
def works(db: None) -> SimpleNamespace:
    """Tern Quay Refining: its people, places, balances and two customers (invented)."""
    return build_works()


def build_works() -> SimpleNamespace:
    user_model = get_user_model()
    house = Party.objects.create(code="tern-quay", name="Tern Quay Refining", kind="house")
    brackwater = Party.objects.create(code="brackwater", name="Isolde Brackwater", kind="customer")
    pellow = Party.objects.create(code="pellow-dane", name="Pellow & Dane", kind="customer")
    laboratory = Party.objects.create(code="quay-lab", name="Quay laboratory", kind="laboratory")

    def person(name: str, role: str, party: Party | None = None):  # type: ignore[no-untyped-def]
        user = user_model.objects.create_user(username=name)
        Person.objects.create(user=user, role=role, party=party)
        return user

    places = {
        code: Place.objects.create(code=code, name=name, area=area)
        for code, name, area in (
            ("feed-shelf", "Feed shelf", "feed_store"),
            ("melt-bench", "Melt bench", "melt_shop"),
            ("wet-bench", "Wet bench", "wet_bench"),
            ("north-cell", "North cell", "cell"),
            ("south-cell", "South cell", "cell"),
            ("carboys", "Carboy rack", "electrolyte"),
            ("slimes-cabinet", "Slimes cabinet", "slimes_store"),
            ("fine-safe", "Fine safe", "fine_store"),
            ("quarantine", "Quarantine shelf", "quarantine"),
        )
    }
    return SimpleNamespace(
        house=house,
        brackwater=brackwater,
        pellow=pellow,
        laboratory=laboratory,
        operator=person("operator", "operator"),
        assayer=person("assayer", "assayer"),
        accountant=person("accountant", "accountant"),
        manager=person("manager", "manager"),
        isolde=person("isolde", "customer", brackwater),
        dane=person("dane", "customer", pellow),
        places=places,
        balance=Balance.objects.create(
            code="bench",
            name="Bench balance",
            capacity_ug=6_200_000_000,
            readability_ug=100_000,
            standard_uncertainty_ug=100_000,
            calibration_due=dt.date(2027, 1, 31),
        ),
    )


@pytest.fixture
def act(works: SimpleNamespace) -> Callable[..., Act]:
    """Builds an act by the operator, `hours` after nine in the morning."""

    def make(hours: float = 0, key: str = "", note: str = "", who: object = None) -> Act:
        return Act(
            who=who or works.operator,  # type: ignore[arg-type]
            occurred_at=MORNING + dt.timedelta(hours=hours),
            key=key,
            note=note,
        )

    return make


@pytest.fixture(autouse=True)
def own_database(request: pytest.FixtureRequest) -> Iterator[None]:
    """Before anything of a test with `emptied_database` is built, gives it a database of its own.

    Autouse, so that it comes before `works` and the other builders whatever their order.
    """
    if "emptied_database" not in request.fixturenames:
        yield
        return
    request.getfixturevalue("django_db_setup")
    blocker = request.getfixturevalue("django_db_blocker")
    folder: Path = request.getfixturevalue("tmp_path")
    with blocker.unblock(), own_copy(folder):
        yield


@pytest.fixture
def emptied_database(transactional_db: None) -> Iterator[None]:
    """For tests that need real transactions or several threads: an empty ledger in a private copy.

    Django empties the tables afterwards, so the guards go first; the copy is thrown away whole.
    """
    yield
    with unguarded(connection, back=False):
        pass


@pytest.fixture(autouse=True)
def fast_passwords(settings: SimpleNamespace) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(autouse=True)
def refusals_repeat_what_was_given(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RefusalError, "__init__", repeating)


@pytest.fixture
def refused() -> Callable[..., Any]:
    """Asserts that a block is refused with code and field, and that no row was written."""
    return refused_block


@pytest.fixture
def api_as() -> Callable[[object], APIClient]:
    """An API client signed in as the given user, speaking JSON."""

    def sign_in(user: object) -> APIClient:
        client = APIClient()
        client.default_format = "json"
        client.force_authenticate(user)
        return client

    return sign_in


@pytest.fixture
def api(works: SimpleNamespace, api_as: Callable[[object], APIClient]) -> APIClient:
    """The operator's API client."""
    return api_as(works.operator)


@pytest.fixture
def browse_as() -> Callable[[object], Client]:
    """A browser signed in as the given user."""

    def sign_in(user: object) -> Client:
        client = Client()
        client.force_login(user)  # type: ignore[arg-type]
        return client

    return sign_in


@pytest.fixture
def browser(works: SimpleNamespace, browse_as: Callable[[object], Client]) -> Client:
    """The operator's browser."""
    return browse_as(works.operator)
