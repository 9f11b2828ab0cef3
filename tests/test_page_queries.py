"""The number of queries of every page that lists is the same for one of a kind and for several.

`tests/bench/page_budgets.py` measures every page on a hundred times the demo's data.
"""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from cells.services.close_run import close_run
from cells.services.harvest import harvest_run
from cells.services.slimes_bag import BagTaken, bag_slimes
from lots.services.process_batches import Inputs, start_batch
from lots.services.quarantine import quarantine_lot
from lots.services.saved_forms import keep_form
from lots.services.taking import Take
from tests.access_table import TABLE, WHO
from tests.builders import receive
from tests.cells.conftest import DAY, Bench

LISTS = sorted(
    route
    for route, (read, _) in TABLE.items()
    if "<" not in route
    and not route.startswith(
        ("api/", "admin/", "health", "sign-", "set-up", "convert", "live", "ready")
    )
    and "manager" in WHO[read]
)


class History:
    """Adds one of everything that lists show, at a later day each time."""

    def __init__(self, works: SimpleNamespace) -> None:
        self.works, self.bench, self.count = works, Bench(works), 0

    def grow(self) -> None:
        bench, works = self.bench, self.works
        start = self.count * 2 * DAY / 4
        self.count += 1
        receive(works, bench.act(start), owner=works.brackwater)
        aside = receive(works, bench.act(start))
        quarantine_lot(lot=aside, reason="smells of acid", act=bench.act(start + 0.1))
        start_batch(
            kind="granulating",
            place=works.places["melt-bench"],
            inputs=Inputs([Take(receive(works, bench.act(start)))]),
            act=bench.act(start + 0.1),
        )
        run = bench.charged(
            hours=start + 0.2,
            electrolyte=bench.electrolyte(hours=start),
            takes=[Take(bench.granules(hours=start))],
        )
        run = bench.stopped(run, hours=start + 0.3)
        bag = BagTaken(works.places["wet-bench"])
        bag_slimes(run=run, bag=bag, act=bench.act(start + 10.4))
        harvest_run(run=run, crystal=bench.crystal(), act=bench.act(start + 10.5))
        close_run(run=run, act=bench.act(start + 10.6))
        keep_form(user=works.manager, address=f"/blend/?lot={self.count}", title="Blend", values=[])


@pytest.fixture
def counted(
    works: SimpleNamespace, browse_as: Callable[[object], Client]
) -> tuple[dict[str, int], dict[str, int]]:
    """Queries by route with one of a kind on the books, and with three."""
    history, browser = History(works), browse_as(works.manager)
    history.grow()
    few = _queries(browser)
    history.grow()
    history.grow()
    return few, _queries(browser)


def _queries(browser: Client) -> dict[str, int]:
    browser.get("/")
    found = {}
    for route in LISTS:
        with CaptureQueriesContext(connection) as seen:
            answer = browser.get("/" + route.removeprefix("(today)"))
        assert answer.status_code == 200, route
        found[route] = len(seen)
    return found


def test_queries_do_not_grow_with_what_is_listed(
    counted: tuple[dict[str, int], dict[str, int]],
) -> None:
    few, many = counted
    assert len(few) > 30
    grown = {route: (few[route], many[route]) for route in few if many[route] > few[route]}
    assert grown == {}
