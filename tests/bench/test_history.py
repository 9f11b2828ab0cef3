"""The benchmarks' history is a sound ledger, which the services can go on with."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace

from lots.ledger.holdings import holding
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import Entry, Lot, Movement
from lots.services.splitting import Part, split_lot
from tests.bench.history import write_history
from tests.builders import receive
from tests.conftest import MORNING


def test_a_history_is_sound_and_goes_on(works: SimpleNamespace, act: Callable[..., Act]) -> None:
    counts = write_history(600, works, MORNING)
    assert counts["entry"] == Entry.objects.count() >= 600
    assert Movement.objects.count() == counts["movement"]
    lot = receive(works, act(1), 10)
    split_lot(lot=lot, parts=[Part(mass_ug=1_000_000)], act=act(2))
    old = Lot.objects.filter(state="available", owner=works.house, form="feed").earliest("pk")
    split_lot(lot=old, parts=[Part(mass_ug=holding(old).mass_ug // 3)], act=act(3))
    found = {result.check.name: result.rows for result in run_checks() if result.found}
    assert found == {}
