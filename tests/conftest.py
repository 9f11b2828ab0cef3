"""The cast of the tests: the works, one customer who may look, one who may not."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import pytest
from django.contrib.auth import get_user_model
from django.db import connection

from lots import clock, guards
from lots.models import Balance, Party, Person, Place
from lots.services.recording import Act

MORNING = dt.datetime(2026, 5, 4, 9, 0, tzinfo=dt.UTC)


@pytest.fixture(autouse=True)
def held_clock() -> Iterator[None]:
    """Tests live at the end of one working day, so that nothing in them is in the future."""
    with clock.at(MORNING + dt.timedelta(hours=9)):
        yield


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


@pytest.fixture
def emptied_database(transactional_db: None) -> Iterator[None]:
    """For tests that need real transactions: lets the guards go while the tables are emptied."""
    yield
    with connection.schema_editor() as editor:
        guards.remove(None, editor)


@pytest.fixture(autouse=True)
def fast_passwords(settings: SimpleNamespace) -> None:
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
