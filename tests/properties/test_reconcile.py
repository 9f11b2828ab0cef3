"""Random networks against an exact rational solution of the same least-squares problem."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_array

from config.refusals import InvalidError
from reports.statistics import constrained_fit
from reports.statistics.covariance import factor_from_covariance, factor_from_sd
from reports.statistics.observability import Standing
from reports.statistics.reconcile import reconcile

Matrix = list[list[Fraction]]


def reduced_echelon(rows: Matrix, width: int) -> dict[int, list[Fraction]]:
    """Exact Gauss-Jordan elimination over the first `width` columns; pivot column -> row."""
    pivots: dict[int, list[Fraction]] = {}
    left = [row[:] for row in rows]
    for column in range(width):
        lead = next((row for row in left if row[column]), None)
        if lead is None:
            continue
        left.remove(lead)
        lead = [value / lead[column] for value in lead]
        for group in (left, list(pivots.values())):
            for row in group:
                if row[column]:
                    factor = row[column]
                    row[:] = [a - factor * b for a, b in zip(row, lead, strict=True)]
        pivots[column] = lead
    assert all(not any(row[width:]) for row in left), "the rational system is inconsistent"
    return pivots


def exact_solution(a, b, y, v, measured):
    """Values and sensitivities to (y, b) of every column, None where it is not determined.

    Solves x + V A^T m = y (measured), A^T m = 0 (unmeasured), A x = b in fractions.
    """
    m, n = a.shape
    f = np.vectorize(Fraction)
    a, v = f(a), f(v)
    rows = []
    for i in range(n):
        row = [Fraction(0)] * (n + m + n + m)
        if measured[i]:
            row[i] = Fraction(1)
            row[n : n + m] = list(v[i] @ a.T)
            row[n + m + i] = Fraction(1)
        else:
            row[n : n + m] = list(a[:, i])
        rows.append(row)
    for k in range(m):
        row = [Fraction(0)] * (n + m + n + m)
        row[:n] = list(a[k])
        row[n + m + n + k] = Fraction(1)
        rows.append(row)
    # Only consistent right-hand sides are of interest, so the data are put in as one column too.
    data = [Fraction(float(value)) for value in (*np.where(measured, y, 0.0), *b)]
    full = [
        [*row[: n + m], sum(c * d for c, d in zip(row[n + m :], data, strict=True))] for row in rows
    ]
    pivots = reduced_echelon(full, n + m)
    values: list[Fraction | None] = []
    for i in range(n):
        row = pivots.get(i)
        determined = row is not None and not any(row[c] for c in range(n + m) if c != i)
        values.append(row[-1] if determined and row is not None else None)
    return values


@st.composite
def networks(draw, *, scales=(0,), measured_share=0.7, streams_max=9):
    node_count = draw(st.integers(1, 5))
    stream_count = draw(st.integers(1, streams_max))
    ends = st.integers(0, node_count)
    a = np.zeros((node_count, stream_count))
    for j in range(stream_count):
        start, end = draw(ends), draw(ends)
        if start < node_count:
            a[start, j] -= 1
        if end < node_count:
            a[end, j] += 1
    if draw(st.booleans()):
        coefficients = draw(
            st.lists(
                st.sampled_from([0.0, 0.0, 1.0, -3.375]),
                min_size=stream_count,
                max_size=stream_count,
            )
        )
        a = np.vstack([a, coefficients])
    if draw(st.booleans()):
        a = np.vstack([a, a.sum(axis=0)])
    mask = draw(st.lists(st.floats(0, 1), min_size=stream_count, max_size=stream_count))
    measured = np.array(mask) < measured_share
    assume(measured.any())
    power = st.sampled_from(scales)
    sd = np.array([draw(st.integers(1, 9)) * 10.0 ** draw(power) for _ in range(stream_count)])
    true = a * 0 if not a.size else np.zeros(stream_count)
    noise = [draw(st.integers(-30, 30)) / 10 for _ in range(stream_count)]
    y = np.where(measured, true + sd * noise, np.nan)
    return a, y, sd, measured


def check_against_exact(a, y, sd, measured, tolerance):
    b = np.zeros(a.shape[0])
    result = reconcile(csr_array(a), b, y, factor_from_sd(sd))
    exact = exact_solution(a, b, y, np.diag(sd**2), measured)
    size = max(np.nanmax(np.abs(y)), sd.max())
    for i, value in enumerate(exact):
        if value is None:
            assert np.isnan(result.reconciled[i])
            assert not result.observability.is_estimable(i)
        else:
            # A figure of nothing has no relative error: its own uncertainty is its measure then.
            own = max(abs(float(value)), sd[i]) if measured[i] else size
            assert abs(result.reconciled[i] - float(value)) <= tolerance * max(own, size * 1e-3)
    return result


def best_within_bounds(a, y, sd):
    """The bounded optimum by trying every set of streams held at zero."""
    n = len(y)
    best, least = np.zeros(n), np.inf
    for chosen in range(2**n):
        held = [i for i in range(n) if chosen >> i & 1]
        rows = np.vstack([a, np.eye(n)[held]]) * sd
        x = y - sd * (np.linalg.pinv(rows, rcond=1e-10) @ (np.vstack([a, np.eye(n)[held]]) @ y))
        cost = float((((x - y) / sd) ** 2).sum())
        if x.min() > -1e-9 and cost < least:
            best, least = x, cost
    return best


@pytest.fixture(params=["orthogonal", "sparse"])
def engine(request, monkeypatch):
    if request.param == "sparse":
        monkeypatch.setattr(constrained_fit, "DENSE_CELLS_MAX", -1)
    return request.param


@settings(max_examples=60, deadline=None)
@given(network=networks())
def test_small_networks_agree_with_exact_fractions(network):
    check_against_exact(*network, 1e-9)


@settings(max_examples=60, deadline=None)
@given(network=networks())
def test_sparse_engine_agrees_with_exact_fractions(network):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(constrained_fit, "DENSE_CELLS_MAX", -1)
        check_against_exact(*network, 1e-9)


@settings(max_examples=60, deadline=None)
@given(network=networks(scales=(-4, -2, 0, 2, 4)))
def test_badly_scaled_networks_agree_with_exact_fractions(network):
    """Eight orders of magnitude between uncertainties cost up to 2e-9 of a figure's own."""
    check_against_exact(*network, 1e-8)


@settings(max_examples=60, deadline=None)
@given(network=networks(measured_share=0.35))
def test_mostly_unmeasured_networks_agree_with_exact_fractions(network):
    result = check_against_exact(*network, 1e-9)
    unknown = {i for i, s in enumerate(result.observability.standing) if s is Standing.UNOBSERVABLE}
    assert unknown == {i for group in result.observability.undetermined for i in group}


@settings(max_examples=60, deadline=None)
@given(
    network=networks(scales=(-1, 0, 1)), shared=st.lists(st.integers(-3, 3), min_size=9, max_size=9)
)
def test_both_engines_agree_on_everything_with_a_shared_source(network, shared):
    a, y, sd, _ = network
    n = len(y)
    factor = csr_array(np.hstack([np.diag(sd), np.array(shared[:n], dtype=float)[:, None]]))
    b = np.zeros(a.shape[0])
    dense = reconcile(csr_array(a), b, y, factor)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(constrained_fit, "DENSE_CELLS_MAX", -1)
        patch.setattr(constrained_fit, "SHARED_MIN", 3)
        sparse = reconcile(csr_array(a), b, y, factor)
    assert sparse.dof == dense.dof
    assert sparse.statistic == pytest.approx(dense.statistic, rel=1e-9, abs=1e-9)
    small = 1e-9 * np.nanmax(dense.sd_before)
    assert np.allclose(sparse.reconciled, dense.reconciled, rtol=1e-9, atol=small, equal_nan=True)
    left, right = sparse.sd_after**2, dense.sd_after**2
    assert np.allclose(left, right, rtol=1e-7, atol=small**2 * 1e9, equal_nan=True)
    assert np.allclose(sparse.fit.information, dense.fit.information, rtol=1e-7, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(network=networks())
def test_the_balances_hold_and_nothing_gets_less_certain(network):
    a, y, sd, measured = network
    result = reconcile(csr_array(a), np.zeros(a.shape[0]), y, factor_from_sd(sd))
    known = ~np.isnan(result.reconciled)
    for row in a:
        if known[row != 0].all():
            assert abs(row[known] @ result.reconciled[known]) <= 1e-9 * np.nanmax(
                np.abs(y), initial=1
            )
    assert np.all(result.sd_after[measured] <= result.sd_before[measured] * (1 + 1e-9))
    assert result.statistic >= 0
    redundant = [s is Standing.REDUNDANT for s in result.observability.standing]
    moved = measured & (
        np.nan_to_num(result.sd_after) < 0.999999999 * np.nan_to_num(result.sd_before)
    )
    assert np.array_equal(moved, redundant)


@settings(max_examples=40, deadline=None)
@given(network=networks(measured_share=1.1), data=st.data())
def test_a_full_covariance_agrees_with_the_dense_formula(network, data):
    a, y, sd, _ = network
    n = len(y)
    mix = np.array([[data.draw(st.integers(-2, 2)) for _ in range(n)] for _ in range(n)]) * 0.3
    v = (np.eye(n) + mix) @ np.diag(sd**2) @ (np.eye(n) + mix).T
    assume(np.linalg.cond(v) < 1e6)
    result = reconcile(csr_array(a), np.zeros(a.shape[0]), y, factor_from_covariance(csr_array(v)))
    inverse = np.linalg.pinv(a @ v @ a.T, rcond=1e-11)
    assert np.allclose(result.reconciled, y - v @ a.T @ inverse @ a @ y, atol=1e-7 * sd.max())
    left = v - v @ a.T @ inverse @ a @ v
    assert np.allclose(result.sd_after**2, np.diag(left), atol=1e-7 * np.diag(v).max())


@settings(max_examples=60, deadline=None)
@given(network=networks(measured_share=1.1, streams_max=6))
def test_bounds_agree_with_a_bounded_least_squares_solver(network):
    a, y, sd, _ = network
    n = len(y)
    result = reconcile(csr_array(a), np.zeros(a.shape[0]), y, factor_from_sd(sd), lower=np.zeros(n))
    assert result.converged
    assert np.all(result.reconciled >= -1e-8 * np.abs(y).max(initial=1.0))
    best = best_within_bounds(a, y, sd)
    assert np.allclose(result.reconciled, best, atol=1e-7 * sd.max())


def test_rows_that_meet_in_two_streams_with_opposite_signs(engine):
    """Their products cancel in G G^T, yet the inverse is needed there."""
    a = csr_array(np.array([[1.0, -1.0], [1.0, 1.0]]))
    result = reconcile(a, np.zeros(2), np.array([0.3, 0.2]), factor_from_sd(np.array([0.1, 1.0])))
    assert np.allclose(result.fit.information, [100.0, 1.0])


def test_a_contradiction_between_exact_figures_is_refused(engine):
    a = csr_array(np.array([[1.0, -1.0]]))
    with pytest.raises(InvalidError) as caught:
        reconcile(a, np.zeros(1), np.array([5.0, 4.0]), factor_from_sd(np.zeros(2)))
    assert caught.value.code == "contradiction"
    assert caught.value.field == "measurements"
