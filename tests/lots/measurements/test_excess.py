"""An excess over the book is explained."""

from __future__ import annotations

import pytest

from lots.ledger.reversal import reverse_movement
from lots.measurements.excess import explain_excess
from lots.measurements.outputs import Output
from lots.measurements.weighings import Weight
from lots.models import Excess
from lots.services.process_batches import Inputs, record_output, start_batch
from lots.services.taking import Take

G = 1_000_000


@pytest.fixture
def excess(works, act, received):
    batch = start_batch(
        kind="granulating",
        place=works.places["melt-bench"],
        inputs=Inputs([Take(received(1000))]),
        act=act(1),
    )
    output = Output(
        form="granules",
        place=works.places["melt-bench"],
        weight=Weight(1000 * G, 0, works.balance),
        declared={"Ag": 930},
    )
    record_output(batch=batch, output=output, act=act(2))
    return Excess.objects.get()


def test_an_explained_excess_says_why_by_whom_and_when(works, act, excess):
    assert excess.excess_ug == 5 * G
    explain_excess(excess=excess, explanation="crucible skull", act=act(3, who=works.manager))
    excess.refresh_from_db()
    assert (excess.state, excess.explanation) == (Excess.State.EXPLAINED, "crucible skull")
    assert (excess.explained_by, excess.explained_at) == (works.manager, act(3).moment)


@pytest.mark.parametrize(("text", "code"), [(" ", "empty"), ("x" * 501, "too_long")])
def test_an_explanation_is_some_words(act, excess, refused, text, code):
    with refused(code, "explanation"):
        explain_excess(excess=excess, explanation=text, act=act(3))


def test_what_was_explained_stays_so_when_its_movement_is_reversed(works, act, excess):
    explain_excess(excess=excess, explanation="crucible skull", act=act(3, who=works.manager))
    reverse_movement(movement=excess.movement, reason="misread", act=act(4))
    excess.refresh_from_db()
    assert (excess.explanation, excess.explained_by) == ("crucible skull", works.manager)


def test_an_excess_is_explained_once(act, excess, refused):
    explain_excess(excess=excess, explanation="crucible skull", act=act(3))
    with refused("already_explained", "excess"):
        explain_excess(excess=excess, explanation="no, the balance", act=act(4))
