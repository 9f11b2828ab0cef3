"""Which figures can be known, and which are checked."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_array

from reports.statistics.observability import Standing, classify


def standings(matrix, measured):
    return classify(csr_array(np.array(matrix, dtype=float)), np.array(measured, dtype=bool))


def test_the_four_standings_in_one_line_of_tanks():
    # in -> A -> B -> out, and a pair of unmeasured flows between B and an unweighed store.
    matrix = [[1, -1, 0, 0, 0, 0], [0, 1, -1, 0, 0, 0], [0, 0, 0, 1, -1, -1]]
    found = standings(matrix, [1, 0, 1, 1, 0, 0])
    assert found.standing == (
        Standing.REDUNDANT,
        Standing.OBSERVABLE,
        Standing.REDUNDANT,
        Standing.UNCHECKED,
        Standing.UNOBSERVABLE,
        Standing.UNOBSERVABLE,
    )
    assert [sorted(group) for group in found.undetermined] == [[4, 5]]
    assert found.is_estimable(1)
    assert not found.is_estimable(4)


def test_the_sum_of_two_unknowns_can_be_known():
    # Two parallel unmeasured flows into a node whose outflow is unmeasured but known from beyond.
    matrix = [[1, 1, -1, 0], [0, 0, 1, -1]]
    found = standings(matrix, [0, 0, 0, 1])
    assert found.standing[2] is Standing.OBSERVABLE
    assert found.standing[3] is Standing.UNCHECKED
    assert [sorted(group) for group in found.undetermined] == [[0, 1]]


def test_a_second_balance_makes_an_unknown_cycle_known():
    """The charge balance settles what the silver balance alone leaves open."""
    silver = [1, -1, -1, 0]
    copper = [0, 0, 0, 1]
    charge = [0, 0, 1, -3.395]
    assert standings([silver], [1, 0, 0, 0]).undetermined
    found = standings([silver, charge], [1, 0, 0, 1])
    assert not found.undetermined
    assert found.standing[1] is Standing.OBSERVABLE
    assert standings([silver, copper, charge], [1, 0, 0, 1]).standing[3] is Standing.REDUNDANT


def test_a_long_chain_of_unmeasured_flows_follows_from_its_ends():
    size = 400
    matrix = np.zeros((size, size + 1))
    for row in range(size):
        matrix[row, row], matrix[row, row + 1] = 1, -1
    measured = [True] + [False] * (size - 1) + [True]
    found = standings(matrix, measured)
    assert found.standing.count(Standing.OBSERVABLE) == size - 1
    assert found.standing[0] is Standing.REDUNDANT


def test_a_repeated_balance_with_rounded_coefficients_settles_nothing():
    """-3.395 - 1 is not -4.395 to the last bit; what rounding leaves must not pass for a check."""
    silver = [0, -1, -1]
    charge = [1, -3.395, 0]
    both = [1, -3.395 - 1, -1]
    found = standings([silver, charge, both], [0, 0, 0])
    assert [sorted(group) for group in found.undetermined] == [[0, 1, 2]]


def test_everything_unmeasured_is_unknown():
    found = standings([[1, -1]], [0, 0])
    assert found.standing == (Standing.UNOBSERVABLE, Standing.UNOBSERVABLE)
