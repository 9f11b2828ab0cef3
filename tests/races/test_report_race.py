"""Somebody posts while a report is being read: the report is of one moment all the same."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

from django.db import connection, connections

from lots import clock
from lots.models import Lot
from reports.queries import inventory as inventory_module
from tests.builders import receive
from tests.conftest import MORNING

NOON = MORNING.replace(hour=12)


@contextmanager
def posted_after_the_first_balance(post: Callable[[], Any]) -> Any:
    """Has `post` done by another connection as soon as this one has read the ledger's entries."""
    done: list[Any] = []

    def elsewhere() -> None:
        with clock.at(NOON):
            done.append(post())
        connections.close_all()

    def watch(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        answer = execute(sql, params, many, context)
        if "lots_" in sql and not done:
            thread = threading.Thread(target=elsewhere)
            thread.start()
            thread.join(timeout=60)
        return answer

    with connection.execute_wrapper(watch):
        yield done


def test_a_report_is_of_one_moment(emptied_database: None, works: SimpleNamespace, act: Any):
    receive(works, act(0), grams=100)
    before = inventory_module.inventory().rows
    with posted_after_the_first_balance(lambda: receive(works, act(1), grams=50)) as posted:
        during = inventory_module.inventory().rows
    assert len(posted) == 1
    assert Lot.objects.count() == 2
    assert during == before
    assert inventory_module.inventory().rows != before
