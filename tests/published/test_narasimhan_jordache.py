"""Heat exchanger with bypass: S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error
Detection, Gulf 2000, chapter 1.

The measured and reconciled flows are read from a reprint (E. C. do Valle, public repository
EDSONCV/dr-ged-benchmarks, problem P4), not from the book. The faulty reading 68.45 is read from
the teaching notebook "Data Reconciliation" of J. C. Kantor (public repository jckantor/CBE40455),
which adapts the same chapter but solves another objective. Figures marked "computed" follow from
the published readings by the formulas of the book and are printed in neither.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from reports.statistics.covariance import factor_from_sd
from reports.statistics.observability import Standing
from reports.statistics.reconcile import reconcile
from reports.statistics.suspects import find_suspects

SPLITTER = [1, -1, -1, 0, 0, 0]
EXCHANGER = [0, 1, 0, -1, 0, 0]
VALVE = [0, 0, 1, 0, -1, 0]
MIXER = [0, 0, 0, 1, 1, -1]
BALANCES = csr_array(np.array([SPLITTER, EXCHANGER, VALVE, MIXER], dtype=float))
MEASURED = [101.91, 64.45, 34.65, 64.20, 36.44, 98.88]
FAULTY = [101.91, 68.45, 34.65, 64.20, 36.44, 98.88]


def solve(values):
    return reconcile(BALANCES, np.zeros(4), np.array(values), factor_from_sd(np.ones(6)))


def test_reconciled_flows_to_the_printed_digits():
    printed = [100.22, 64.50, 35.72, 64.50, 35.72, 100.22]
    assert np.round(solve(MEASURED).reconciled, 2).tolist() == printed


def test_tests_of_the_sound_case_computed():
    result = solve(MEASURED)
    doubt = find_suspects(result)
    assert np.allclose(result.residuals, [2.81, 0.25, -1.79, 1.76])
    assert result.statistic == pytest.approx(6.4075, abs=5e-5)
    assert result.dof == 4
    assert result.p_value == pytest.approx(0.1707, abs=5e-5)
    assert doubt.global_limit == pytest.approx(9.4877, abs=5e-5)
    assert doubt.limit == pytest.approx(2.6310, abs=5e-5)
    assert not doubt.global_failed
    assert doubt.suspects == ()
    assert np.allclose(result.sd_after, 0.57735, atol=5e-6)
    z = [test.z for test in doubt.measurement_tests]
    assert np.allclose(z, [2.0698, -0.0612, -1.3105, -0.3674, 0.8818, -1.6412], atol=5e-5)


def test_the_faulty_reading_is_named_computed():
    result = solve(FAULTY)
    doubt = find_suspects(result)
    reconciled = [100.88667, 65.83333, 35.05333, 65.83333, 35.05333, 100.88667]
    assert np.allclose(result.reconciled, reconciled, atol=5e-6)
    assert result.statistic == pytest.approx(16.674167, abs=5e-7)
    assert result.p_value == pytest.approx(0.002236, abs=5e-7)
    assert doubt.global_failed
    z = [test.z for test in doubt.measurement_tests]
    assert np.allclose(z, [1.2533, 3.2047, -0.4940, -2.0004, 1.6983, -2.4577], atol=5e-5)
    assert [test.index for test in doubt.measurement_tests if test.flagged] == [1]
    assert [suspect.index for suspect in doubt.suspects] == [1]
    # The reading was raised by 4; the estimate lies within one standard uncertainty of that.
    assert doubt.suspects[0].bias == pytest.approx(3.925, abs=5e-4)
    assert abs(doubt.suspects[0].bias - 4) < doubt.suspects[0].u


def test_the_faulty_stream_unmeasured_computed():
    values = list(FAULTY)
    values[1] = np.nan
    result = solve(values)
    expected = [100.2325, 64.525, 35.7075, 64.525, 35.7075, 100.2325]
    assert np.allclose(result.reconciled, expected, atol=5e-7)
    assert result.statistic == pytest.approx(6.40375, abs=5e-6)
    assert result.dof == 3
    assert result.observability.standing[1] is Standing.OBSERVABLE
    # Setting a suspect aside leaves what solving without its reading leaves.
    doubt = find_suspects(solve(FAULTY))
    assert doubt.statistic_left == pytest.approx(result.statistic)
    assert doubt.dof_left == 3


def test_an_inventory_difference_is_the_one_node_case():
    """Identity, no published number: g = ID^2 / u(ID)^2 for one balance of four terms."""
    terms = np.array([120.0, 30.0, 40.0, 108.5])
    u = np.array([0.4, 0.1, 0.2, 0.5])
    result = reconcile(csr_array([[1.0, 1, -1, -1]]), np.zeros(1), terms, factor_from_sd(u))
    difference = 120 + 30 - 40 - 108.5
    assert result.statistic == pytest.approx(difference**2 / (u**2).sum())
