"""A spring at Tern Quay (invented): April with receipts, a common melt, losses; early May."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from decimal import Decimal
from types import SimpleNamespace
from typing import Any

import pytest
from django.db import transaction
from django.test.utils import override_settings

from lots import clock
from lots.ledger.recording import Act
from lots.measurements.assays import AssayReport, Finding
from lots.measurements.outputs import Output
from lots.measurements.weighings import Weight
from lots.models import Entry, Lot, ProcessBatch
from lots.services.opening import Amount, Opening, open_lot
from lots.services.process_batches import Inputs, close_batch, record_output, start_batch
from lots.services.receipt import Receipt, receive_lot
from lots.services.taking import Take
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from reports.demo.play import play
from reports.demo.wet_work import WetWork
from reports.queries.month.periods import Period, month_period
from tests.databases import own_copy

G = 1_000_000
APRIL = dt.date(2026, 4, 1)
JUNE_NOON = dt.datetime(2026, 6, 2, 12, 0, tzinfo=dt.UTC)


def on(month: int, day: int, hour: int = 9) -> dt.datetime:
    return dt.datetime(2026, month, day, hour, tzinfo=dt.UTC)


@pytest.fixture
def april(db: None) -> Period:
    return month_period(APRIL)


@pytest.fixture
def at(works: SimpleNamespace) -> Callable[..., Act]:
    """An act on a day of 2026 by the operator, or by `who`."""

    def make(
        month: int, day: int, hour: int = 9, who: Any = None, key: str = "", note: str = ""
    ) -> Act:
        return Act(who=who or works.operator, occurred_at=on(month, day, hour), key=key, note=note)

    return make


@pytest.fixture
def spring(works: SimpleNamespace, at: Callable[..., Act]) -> SimpleNamespace:
    """Crystal from before the books began, three receipts, a melt in common, two losses."""

    def receive(owner: Any, grams: int, day: int, **declared: str) -> Lot:
        receipt = Receipt(
            party=owner,
            owner=owner,
            form=Lot.Form.GRANULES,
            place=works.places["feed-shelf"],
            weight=Weight((grams + 10) * G, 10 * G, works.balance),
            declared={metal: Decimal(ppt) for metal, ppt in declared.items()},
        )
        return receive_lot(receipt=receipt, act=at(4, day))

    crystal = open_lot(
        opening=Opening(
            form=Lot.Form.FINE_CRYSTAL,
            owner=works.house,
            place=works.places["fine-safe"],
            metals={"Ag": Amount(2000 * G)},
            mass_ug=2000 * G,
        ),
        act=at(3, 30),
    )
    apart = receive(works.brackwater, 1000, 2, Ag="925", Cu="75")
    pooled = receive(works.pellow, 500, 3, Ag="958.4", Cu="41.6")
    house_feed = receive(works.house, 700, 4, Ag="800", Au="1.25", Cu="190")
    batch = start_batch(
        kind=ProcessBatch.Kind.MELT,
        place=works.places["melt-bench"],
        inputs=Inputs([Take(pooled), Take(house_feed, mass_ug=300 * G)]),
        act=at(4, 10),
        keep_apart=False,
    )
    bar = record_output(
        batch=batch,
        output=Output(
            form=Lot.Form.BAR,
            place=works.places["fine-safe"],
            weight=Weight(797_300_000, 0, works.balance),
            assay=AssayReport(
                method="fire_assay",
                laboratory=works.laboratory,
                findings={
                    "Ag": Finding(Decimal("897.1"), Decimal("0.5")),
                    "Au": Finding(Decimal("0.6"), Decimal("0.05")),
                    "Cu": Finding(Decimal("97.5"), Decimal("0.5")),
                },
            ),
        ),
        act=at(4, 11),
    )
    close_batch(batch=batch, act=at(4, 12))
    spilled = write_off(
        lot=crystal, cause="spill", stage="fine_melt", act=at(4, 20), mass_ug=5_000_001
    )
    write_off(lot=house_feed, cause="sweep", stage="receipt", act=at(5, 2), mass_ug=3 * G)
    transfer_lot(lot=apart, place=works.places["quarantine"], act=at(5, 3))
    return SimpleNamespace(
        works=works,
        crystal=crystal,
        apart=apart,
        pooled=pooled,
        house_feed=house_feed,
        batch=batch,
        bar=bar,
        spilled=spilled,
    )


@pytest.fixture
def in_june(spring: SimpleNamespace) -> Iterator[SimpleNamespace]:
    """The same spring, looked at from the second of June."""
    with clock.at(JUNE_NOON):
        yield spring


@pytest.fixture(scope="module")
def demo(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[WetWork]:
    """The demo's three months (April to June 2026, invented), played once for a module's tests.

    They are played into a copy of the test database that the module has for itself. Its tests are
    marked `django_db`, or there would be no test database to copy.
    """
    folder = tmp_path_factory.mktemp("demo")
    with (
        django_db_blocker.unblock(),
        own_copy(folder),
        override_settings(MEDIA_ROOT=folder / "media"),
    ):
        with transaction.atomic(), clock.at(dt.datetime(2026, 6, 25, 12, tzinfo=dt.UTC)):
            story = play(dt.date(2026, 6, 1), "a pass phrase", lambda text: None)
        yield story


def held_ug(metal: str, until: dt.datetime) -> int:
    """What all lots held of a metal just before `until`, entry by entry."""
    return sum(
        entry.mass_ug
        for entry in Entry.objects.filter(lot__isnull=False, metal=metal)
        if entry.occurred_at < until
    )
