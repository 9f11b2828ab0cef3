"""The table of docs/bench.md: what each step needs, and how far down a phone its button stands."""

from __future__ import annotations

import re
from collections.abc import Callable
from math import ceil
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Final

from cells.services.slimes_bag import BagTaken, bag_slimes
from tests.builders import receive
from tests.cells.conftest import Bench

if TYPE_CHECKING:
    from playwright.sync_api import Page

PHONE: Final = {"width": 360, "height": 740}
SCREENS_MAX: Final = 2
HELD: Final = ("Receive a lot", "Read the cell", "Harvest the crystal")
DOC: Final = Path(__file__).parents[2] / "docs" / "bench.md"
_ROW: Final = re.compile(r"^\| ([A-Z][^|]+) \| (\d+) \| (\d+) \|$", re.MULTILINE)
# Fields in sight that are not ticked and don't say that they may be left out.
_NEEDED: Final = """() => [...document.querySelectorAll('form[data-keep] > .fields > .field')]
    .filter(each => !each.querySelector('.may, .tick')).length"""
_DOWN: Final = """() => document.querySelector('form[data-keep] button.primary')
    .getBoundingClientRect().bottom + window.scrollY"""


def measured(page: Page, address: str) -> tuple[int, int]:
    page.goto(address)
    page.goto(address)
    down = page.evaluate(_DOWN)
    return page.evaluate(_NEEDED), ceil(down / PHONE["height"])


def test_the_table_of_needed_fields_and_screens_is_true(
    works: SimpleNamespace, open_as: Callable[..., Page], site: str
) -> None:
    bench = Bench(works)
    lot = receive(works, bench.act(0))
    page = open_as("operator", "phone")
    page.set_viewport_size(PHONE)
    found = {"Receive a lot": measured(page, "/receive/")}
    for step, ending in (("Weigh", "weigh"), ("Melt", "melt"), ("Enter an assay", "assay")):
        found[step] = measured(page, f"/lots/{lot.code}/{ending}/")
    run = bench.charged()
    found["Switch on"] = measured(page, f"/runs/{run.code}/start/")
    run = bench.stopped(run)
    found["Take the anode remnant"] = measured(page, f"/runs/{run.code}/remnant/")
    found["Take the slimes bag"] = measured(page, f"/runs/{run.code}/bag/")
    found["Read the cell"] = measured(page, f"/runs/{run.code}/read/")
    bag_slimes(run=run, bag=BagTaken(works.places["slimes-cabinet"]), act=bench.act(20))
    found["Harvest the crystal"] = measured(page, f"/runs/{run.code}/harvest/")
    told = {step: (int(needed), int(far)) for step, needed, far in _ROW.findall(DOC.read_text())}
    assert told == found, "\n".join(f"| {k} | {n} | {s} |" for k, (n, s) in found.items())
    assert all(found[step][1] <= SCREENS_MAX for step in HELD)
