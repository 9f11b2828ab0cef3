"""Somebody posts while a report is being read: the report is of one moment all the same."""

from __future__ import annotations

import itertools
import threading
from collections.abc import Callable
from contextlib import contextmanager
from types import SimpleNamespace
from typing import Any

from django.db import connection, connections, transaction

from lots import clock
from lots.models import Lot
from lots.services.quarantine import quarantine_lot
from lots.services.receipt import receive_lot
from lots.services.transfer import transfer_lot
from lots.services.write_off import write_off
from reports.queries.inventory import inventory
from reports.queries.month.claims_statement import claims_statement
from reports.queries.month.figure_uncertainty import inventory_uncertainty, statement_uncertainty
from reports.queries.month.losses import losses
from reports.queries.month.metal_flow import metal_flow
from reports.queries.month.month_pack import month_pack
from reports.queries.month.month_statement import month_statement
from reports.queries.obligations import obligations
from tests.builders import GRAM, month_2026, receipt_of, receive
from tests.conftest import MORNING

NOON = MORNING.replace(hour=12)
MAY = month_2026(5)


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


REPORTS: dict[str, Callable[[], Any]] = {
    "inventory": lambda: inventory().rows,
    "inventory_uncertainty": inventory_uncertainty,
    "month_statement": lambda: month_statement(MAY),
    "statement_uncertainty": lambda: statement_uncertainty(MAY),
    "metal_flow": lambda: metal_flow(MAY, "Ag"),
    "claims_statement": lambda: claims_statement(MAY),
    "obligations": obligations,
    "losses": lambda: losses(MAY.starts_at, MAY.ends_at),
    "month_pack": lambda: month_pack(MAY),
}


def test_a_report_is_of_one_moment(emptied_database: None, works: SimpleNamespace, act: Any):
    lot = receive(works, act(0), owner=works.brackwater)
    places = itertools.cycle([works.places["quarantine"], works.places["feed-shelf"]])

    def post() -> None:
        """Metal comes in, is set aside, is lost and moves, in one transaction."""
        with transaction.atomic():
            receive(works, act(1), owner=works.pellow)
            fine = receipt_of(works, form=Lot.Form.FINE_CRYSTAL)
            quarantine_lot(lot=receive_lot(receipt=fine, act=act(1)), reason="damp", act=act(1))
            write_off(lot=lot, cause="spill", stage="store", mass_ug=GRAM, act=act(2))
            transfer_lot(lot=lot, place=next(places), act=act(2))

    for name, report in REPORTS.items():
        before = report()
        with posted_after_the_first_balance(post) as posted:
            during = report()
        assert len(posted) == 1
        assert during == before, name
        assert report() != before, name
