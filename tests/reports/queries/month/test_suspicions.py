"""Among readings that explain a misfit equally, which one a person is sent to first."""

from __future__ import annotations

import numpy as np
import pytest

from lots.ledger.holdings import NOW
from reports.queries.month.entry_uncertainty import BookUncertainty
from reports.queries.month.month_network import LedgerNetwork
from reports.queries.month.month_readings import Source
from reports.queries.month.suspicions import Suspicion, suspicions
from reports.statistics.equations import solve
from reports.statistics.month_network import MonthNetwork
from reports.statistics.uncertainty import Figure
from tests.builders import month_2026
from tests.month_simulator import SimulatedMonth, simulate

KINDS = {
    "coulombs": "coulombs",
    "efficiency": "efficiency",
    "side": "side",
    "slimes": "estimate",
    "volume": "volume",
}
NOTHING_BOOKED = BookUncertainty(NOW, {}, {}, {})


def doubted(wrong: str, sigmas: float, seed: int = 3, *, also: str = "") -> tuple[Suspicion, ...]:
    """An invented month with a wrong reading, and what is doubted of it; `also` reads 40 % high.

    Weighings count as assays here: only a weighing on the books has a gross to look up.
    """
    month = SimulatedMonth(np.random.default_rng(seed), wrong=wrong, sigmas=sigmas)
    simulate(month, 2)
    network = MonthNetwork(month.events)
    equations = network.equations
    if also:
        figure = equations.readings[equations.numbers[also]]
        high = Figure(1.4 * figure.value, figure.contributions)
        equations.readings[equations.numbers[also]] = high
    sources = {
        name: Source(name, KINDS.get(name.split()[0], "assay"), name, unit="Ah")
        for name in (equations.names[number] for number in equations.readings)
        if not name.startswith("loss of ")
    }
    ledger = LedgerNetwork(month_2026(5), network, sources, NOTHING_BOOKED, {})
    return suspicions(ledger, solve(equations), alpha=0.05)[1]


@pytest.mark.parametrize("seed", range(4))
def test_a_measured_charge_goes_before_an_expected_efficiency(seed: int) -> None:
    """Charge counted and efficiency expected enter as one product: no test tells them apart."""
    first = doubted("coulombs 1", 60.0, seed)[0]
    assert (first.name, first.kind) == ("coulombs 1", "coulombs")
    assert first.bias > 0
    assert any("efficiency 1" in rival for rival in first.rivals)
    assert first.sentence.startswith("coulombs 1 reads about ")
    assert "high; look at the ammeter" in first.sentence
    assert first.proposal is None


def test_nothing_is_doubted_where_all_fits() -> None:
    assert doubted("", 0.0) == ()


def test_two_wrong_readings_are_named_one_after_the_other() -> None:
    found = doubted("volume 1", 60.0, 5, also="coulombs 0")
    assert {each.name for each in found[:2]} == {"volume 1", "coulombs 0"}
