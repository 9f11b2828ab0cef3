"""The line of a run's steps agrees with what the run's services refuse."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from cells.run_line import Mark, RunFacts, run_line
from cells.services.slimes_bag import BagTaken, bag_slimes


def marks(facts: RunFacts) -> dict[str, str]:
    return {step.name.removeprefix("run-"): step.mark.value for step in run_line(facts)}


@pytest.mark.parametrize(
    ("facts", "expected", "open_too"),
    [
        (RunFacts("charged"), "start", set()),
        (RunFacts("running", read=True), "read", {"stop"}),
        (RunFacts("stopped", read=True), "remnant", {"bag"}),
        (RunFacts("stopped", read=True, remnant=True), "bag", set()),
        (RunFacts("stopped", read=True, bag=True), "harvest", set()),
        (RunFacts("harvested", read=True, bag=True), "close", {"rinse"}),
        (RunFacts("harvested", read=True, bag=True, rinse=True), "close", set()),
        (RunFacts("closed", read=True, bag=True), None, set()),
    ],
)
def test_one_step_is_expected_and_a_step_done_is_not_offered_again(
    facts: RunFacts, expected: str | None, open_too: set[str]
) -> None:
    found = marks(facts)
    assert [name for name, mark in found.items() if mark == Mark.NEXT] == (
        [expected] if expected else []
    )
    assert {name for name, mark in found.items() if mark == Mark.OPEN} == open_too
    assert all(step.why for step in run_line(facts) if step.mark == Mark.CLOSED)


def test_withdrawn_run_has_no_steps() -> None:
    assert run_line(RunFacts("withdrawn")) == ()


def test_page_offers_the_next_step_and_says_why_others_wait(
    works: SimpleNamespace, bench: Any, browse_as: Callable[[object], Client]
) -> None:
    run = bench.stopped(bench.charged())
    client = browse_as(works.operator)
    page = client.get(reverse("run", args=[run.code])).content.decode()
    assert f'class="button primary" href="/runs/{run.code}/remnant/"' in page
    assert f'href="/runs/{run.code}/harvest/"' not in page
    assert "with the slimes bagged" in page
    bag_slimes(run=run, bag=BagTaken(works.places["slimes-cabinet"]), act=bench.act(20))
    page = client.get(reverse("run", args=[run.code])).content.decode()
    assert f'class="button primary" href="/runs/{run.code}/harvest/"' in page
    assert f'href="/runs/{run.code}/slimes-bag/"' not in page


def test_each_step_offered_opens_and_each_held_back_is_refused(
    works: SimpleNamespace, bench: Any, browse_as: Callable[[object], Client]
) -> None:
    """A run that is charged: what is greyed is what the services refuse."""
    run = bench.charged()
    client = browse_as(works.operator)
    page = client.get(reverse("run", args=[run.code])).content.decode()
    for step in run_line(RunFacts("charged")):
        address = f'href="{reverse(step.name, args=[run.code])}"'
        assert (address in page) is (step.mark in {Mark.NEXT, Mark.OPEN})


def test_granules_lead_to_the_charge_of_the_free_cell(
    works: SimpleNamespace, bench: Any, browse_as: Callable[[object], Client]
) -> None:
    client = browse_as(works.operator)
    granules = bench.granules()
    answer = client.get(reverse("charge-lot", args=[granules.code]), follow=True)
    assert answer.redirect_chain[0][0].startswith("/cells/north/charge/")
    assert granules.code in answer.content.decode()
    bench.charged()
    answer = client.get(reverse("charge-lot", args=[granules.code]))
    assert answer.url == f"/cells/?take={granules.code}"
