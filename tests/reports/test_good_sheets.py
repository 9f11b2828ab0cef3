"""The sheets called good go onto the demo; `test_set_up` has them go onto a works just set up."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from lots import clock
from lots.ledger.ledger_checks import run_checks
from lots.ledger.recording import Act
from lots.models import Lot, Person
from reports.demo.wet_work import WetWork
from tests.imported import recorded

pytestmark = pytest.mark.django_db
SHEETS = Path(__file__).resolve().parents[2] / "fixtures" / "sheets"
# The second weighs what the first received. Counts and readings name a count and fit a run.
GOOD = {
    "opening": "opening-good.xlsx",
    "receipts": "receipts-good.csv",
    "weighings": "weighings-good.tsv",
}


def bring_in(act: Act) -> None:
    lots = Lot.objects.count()
    for subject, name in GOOD.items():
        recorded(subject, (SHEETS / name).read_bytes(), act)
    assert Lot.objects.count() == lots + 7
    assert [each.rows for each in run_checks() if each.found] == []


def test_good_sheets_go_onto_the_demo(demo: WetWork) -> None:
    with clock.at(dt.datetime(2026, 6, 25, 12, tzinfo=dt.UTC)):
        manager = Person.objects.filter(role="manager").order_by("pk")[0]
        bring_in(Act(who=manager.user))
