"""Small months built by hand: what is checked, what is not, and the balance of charge."""

from __future__ import annotations

import pytest

from lots.elements import ATOMIC_WEIGHTS
from reports.statistics.equations import Solution, solve
from reports.statistics.month_network import SILVER_PER_DISSOLVED, MonthNetwork
from reports.statistics.month_rows import (
    OUTSIDE,
    Analysed,
    Bagged,
    Brought,
    Closed,
    Event,
    Harvested,
    Moved,
    Output,
    Portion,
    Reading,
    Weighed,
)
from reports.statistics.observability import Standing
from reports.statistics.suspects import find_suspects
from reports.statistics.uncertainty import Figure


def read(name: str, value: float, u: float) -> Reading:
    return Reading(name, Figure(value, {name: u}))


def run(crystal_g: float, *, torn: bool = False, assayed: bool = True) -> list[Event]:
    """A charge of 1000 g, 900 g of silver and 100 g of copper, in a bath that is measured after."""
    lost = 2 * float(ATOMIC_WEIGHTS["Ag"].value / ATOMIC_WEIGHTS["Cu"].value) * 100
    held = {"Ag": 900.0, "Cu": 100.0}
    return [
        Brought(
            "lot",
            held,
            read("mass", 1000.0, 0.1),
            grades={"Ag": [read("Ag grade", 0.9, 0.0002)], "Cu": [read("Cu grade", 0.1, 0.0002)]},
        ),
        Brought("bath", {"Ag": 1000.0, "Cu": 50.0}, None),
        Analysed(
            "bath",
            read("volume", 10.0, 0.01),
            10.0,
            {"Ag": [read("Ag before", 100.0, 0.1)], "Cu": [read("Cu before", 5.0, 0.1)]},
        ),
        Moved(1, [Portion("lot", True, None, held)], "charge"),
        Bagged(2, "charge", "bag", {}, torn) if torn else Moved(2, [], "charge"),
        Harvested(
            3,
            "charge",
            "bath",
            "crystal",
            read("crystal", crystal_g, 0.2),
            {"Ag": [read("fine", 1.0, 0.0001)]} if assayed else {},
            {"Ag": crystal_g},
            read("coulombs", (900 + lost) / 0.97, 5.0),
            read("efficiency", 0.97, 0.01),
            read("side", 0.0, 2.0),
            0.001,
        ),
        Analysed(
            "bath",
            read("volume after", 9.9, 0.01),
            9.9,
            {
                "Ag": [read("Ag after", (1000 - lost) / 9.9, 0.1)],
                "Cu": [read("Cu after", 150 / 9.9, 0.1)],
            },
        ),
    ]


PLATED_G = 900 + 2 * float(ATOMIC_WEIGHTS["Ag"].value / ATOMIC_WEIGHTS["Cu"].value) * 100


def solved(events: list[Event]) -> tuple[MonthNetwork, Solution]:
    network = MonthNetwork(events)
    return network, solve(network.equations)


def test_silver_for_copper_is_that_of_two_electrons() -> None:
    assert SILVER_PER_DISSOLVED["Cu"] == pytest.approx(2 * 107.8682 / 63.546, rel=1e-6)


def test_a_run_that_balances_needs_no_adjustment() -> None:
    network, solution = solved(run(PLATED_G))
    assert solution.linear.statistic == pytest.approx(0, abs=1e-12)
    assert solution.linear.dof == 4
    names = network.equations.numbers
    assert solution.estimates[names["crystal"]] == pytest.approx(PLATED_G)


@pytest.mark.parametrize("off_g", [-80.0, 40.0])
def test_a_wrong_harvest_weighing_is_the_first_to_doubt(off_g: float) -> None:
    network, solution = solved(run(PLATED_G + off_g))
    suspect = find_suspects(solution.linear).suspects[0]
    names = network.equations.names
    alike = [names[suspect.index], *(names[index] for index, _ in suspect.equivalent)]
    alike += [names[index] for index in suspect.rivals]
    assert "crystal" in alike
    assert set(alike) <= {"crystal", "fine"}
    without = solve(network.equations, {network.equations.numbers["crystal"]})
    number = network.equations.numbers["crystal"]
    assert without.estimates[number] == pytest.approx(PLATED_G, abs=3 * without.sd[number])


def test_a_loss_of_crystal_and_one_of_bath_are_told_apart() -> None:
    """Silver gone from the bath leaves the balance of charge as it was."""
    events = run(PLATED_G)
    last = events[-1]
    assert isinstance(last, Analysed)
    events[-1] = Analysed(
        "bath", last.volume, 9.9, {**last.grades, "Ag": [read("Ag after", 60.0, 0.1)]}
    )
    network, solution = solved(events)
    suspect = find_suspects(solution.linear).suspects[0]
    names = network.equations.names
    found = {names[suspect.index], *(names[index] for index, _ in suspect.equivalent)}
    assert "crystal" not in found
    assert "Ag after" in found | {names[index] for index in suspect.rivals}


def test_crystal_with_fallen_slimes_is_checked_by_nothing_until_assayed() -> None:
    network, solution = solved(run(PLATED_G, torn=True, assayed=False))
    standing = solution.linear.observability.standing
    assert standing[network.equations.numbers["crystal"]] is Standing.UNCHECKED


def test_feed_declared_without_copper_accuses_nobody_of_the_copper() -> None:
    """What a sender did not declare is unknown, not nothing."""
    outcome = [
        Brought("feed", {"Ag": 520.0}, read("received", 1000.0, 0.2), from_outside=1),
        Moved(2, [Portion("feed", True, None, {"Ag": 520.0})], "vessel"),
        Output(
            3,
            "vessel",
            "solution",
            read("volume", 10.0, 0.02),
            {"Ag": [read("Ag", 51.9, 0.1)], "Cu": [read("Cu", 9.6, 0.1)]},
            {"Ag": 519.0, "Cu": 96.0},
        ),
        Closed(4, "vessel", 0.003),
    ]
    network, solution = solved(outcome)
    assert solution.linear.dof == 0
    copper = network.holdings["solution"]["Cu"]
    assert solution.estimates[copper] == pytest.approx(96.0)
    received = next(s for s in network.streams if s.giver == OUTSIDE and s.metal == "Ag")
    assert network.equations.measured(received.figure) is None


def test_a_metal_no_output_was_assayed_for_is_not_called_lost() -> None:
    content = {"Ag": 100.0, "Pd": 5.0}
    events = [
        Brought("lot", content, None, {m: read(f"{m} before", g, 0.1) for m, g in content.items()}),
        Moved(1, [Portion("lot", True, None, content)], "vessel"),
        Output(2, "vessel", "bar", read("bar", 100.0, 0.1), {"Ag": [read("Ag", 1.0, 0.0001)]}, {}),
        Closed(3, "vessel", 0.001),
    ]
    _, solution = solved(events)
    assert solution.linear.dof == 1
    assert not find_suspects(solution.linear).suspects


def test_a_count_checks_the_weighing_and_not_the_assay() -> None:
    events = [
        Brought(
            "lot", {"Ag": 90.0}, read("first", 100.0, 0.1), grades={"Ag": [read("a", 0.9, 0.001)]}
        ),
        Weighed("lot", read("count", 100.3, 0.1)),
    ]
    network, solution = solved(events)
    names, standing = network.equations.numbers, solution.linear.observability.standing
    assert standing[names["first"]] is Standing.REDUNDANT
    assert standing[names["a"]] is Standing.UNCHECKED
    assert solution.estimates[names["first"]] == pytest.approx(100.15)


def test_a_portion_carries_the_lots_grade() -> None:
    events = [
        Brought(
            "lot", {"Ag": 90.0}, read("mass", 100.0, 0.1), grades={"Ag": [read("a", 0.9, 0.001)]}
        ),
        Moved(1, [Portion("lot", False, read("portion", 20.0, 0.05), {"Ag": 18.0})], "part"),
        Moved(2, [Portion("lot", True, None, {"Ag": 72.0})], OUTSIDE),
    ]
    network, solution = solved(events)
    part = network.holdings["part"]["Ag"]
    assert solution.estimates[part] == pytest.approx(18.0)
    measured = network.equations.measured(part)
    assert measured is not None
    assert measured.u == pytest.approx(((0.9 * 0.05) ** 2 + (20 * 0.001) ** 2) ** 0.5)
    assert "lot" not in network.holdings
