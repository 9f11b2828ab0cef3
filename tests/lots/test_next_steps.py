"""Which step a lot waits for; each is common practice at the bench, no source."""

from __future__ import annotations

import pytest

from lots.models import Lot
from lots.next_steps import LotFacts, next_step

DECLARED, ASSAYED = Lot.Content.DECLARED.value, Lot.Content.ASSAYED.value


@pytest.mark.parametrize(
    ("lot", "step"),
    [
        (LotFacts("feed", "available", DECLARED, sampled=False, waiting=False), "melt"),
        (LotFacts("granules", "available", DECLARED, sampled=False, waiting=False), "sample"),
        (LotFacts("granules", "available", DECLARED, sampled=True, waiting=False), "assay"),
        (LotFacts("granules", "available", DECLARED, sampled=True, waiting=True), "rule-assay"),
        (LotFacts("granules", "available", ASSAYED, sampled=True, waiting=False), "charge-lot"),
        (LotFacts("granules", "quarantined", ASSAYED, sampled=True, waiting=False), "release"),
        (LotFacts("fine_crystal", "available", ASSAYED, sampled=True, waiting=False), "melt"),
        (LotFacts("bar", "available", ASSAYED, sampled=True, waiting=False), "ship"),
        (LotFacts("sample", "available", DECLARED, sampled=False, waiting=False), "use-up"),
        (LotFacts("residue", "available", ASSAYED, sampled=False, waiting=False), ""),
    ],
)
def test_what_is_expected_next(lot: LotFacts, step: str) -> None:
    assert next_step(lot) == step


@pytest.mark.parametrize("form", Lot.Form.values)
@pytest.mark.parametrize("state", ["spent", "shipped", "returned", "written_off", "in_process"])
def test_nothing_is_expected_of_a_lot_that_is_gone_or_at_work(form: str, state: str) -> None:
    assert next_step(LotFacts(form, state, DECLARED, sampled=False, waiting=True)) == ""
