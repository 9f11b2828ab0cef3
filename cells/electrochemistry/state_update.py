"""What a measurement teaches: the electrolyte's state weighed against an assay, volume or weight.

Each figure pulls the state by the ratio of variances (Kalman's measurement update).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Generic

import numpy as np

from cells.electrochemistry.current_series import FloatArray
from cells.electrochemistry.electrolyte_state import (
    ACID,
    CONSUMED,
    COPPER,
    PALLADIUM,
    PLATED,
    SILVER,
    VOLUME,
    AnyState,
    ElectrolyteAssay,
    Estimate,
    RunState,
)
from config.refusals import refuse


@dataclass(frozen=True)
class Surprise:
    """How far a figure lies from what the state expected, in standard deviations of both."""

    quantity: str
    expected: float
    found: float
    deviations: float


@dataclass(frozen=True)
class Updated(Generic[AnyState]):
    """The state after a measurement, and how each figure compared with what was expected."""

    state: AnyState
    surprises: tuple[Surprise, ...]


@dataclass(frozen=True)
class _Figure:
    quantity: str
    found: Estimate
    expected: float
    row: FloatArray


def update_from_assay(state: AnyState, assay: ElectrolyteAssay) -> Updated[AnyState]:
    """The state after an assay of the electrolyte: g/L of metals, mol/L of free acid.

    Raises InvalidError `no_figures` when nothing was determined, `zero_uncertainty` when a figure
    claims to be exact, `contradicts_state` when it would leave no volume. The concentration is
    linearised about the state. Source: R. E. Kalman, J. Basic Eng. 82 (1960) 35-45 (from memory).
    """
    volume_l = float(state.mean[VOLUME])
    figures = []
    for quantity, index in (
        ("silver_g_per_l", SILVER),
        ("copper_g_per_l", COPPER),
        ("palladium_g_per_l", PALLADIUM),
        ("acid_mol_per_l", ACID),
    ):
        found: Estimate | None = getattr(assay, quantity)
        if found is not None:
            expected = float(state.mean[index]) / volume_l
            row = np.zeros(len(state.mean))
            row[index], row[VOLUME] = 1.0 / volume_l, -expected / volume_l
            figures.append(_Figure(quantity, found, expected, row))
    if not figures:
        raise refuse("no_figures", field="assay")
    return _updated(state, figures)


def update_from_volume(state: AnyState, volume_l: Estimate) -> Updated[AnyState]:
    """The state after the electrolyte's volume was measured, in litres.

    Raises InvalidError `zero_uncertainty`.
    """
    return _updated(state, [_plain(state, "volume_l", VOLUME, volume_l)])


def update_from_remnant(state: RunState, remnant_g: Estimate) -> Updated[RunState]:
    """The state after the undissolved anode was weighed, in grams, free of slimes.

    Raises InvalidError `zero_uncertainty`, or `too_large` for a remnant above the anode.
    """
    whole_g = state.anode.mass_g
    if remnant_g.value > whole_g:
        raise refuse("too_large:state_update", field="remnant_g", value=remnant_g.value)
    consumed = Estimate(whole_g - remnant_g.value, remnant_g.u)
    return _updated(state, [_plain(state, "consumed_g", CONSUMED, consumed)])


def update_from_crystal(state: RunState, crystal_g: Estimate) -> Updated[RunState]:
    """The state after all crystal of the run was weighed dry, in grams of silver.

    Raises InvalidError `zero_uncertainty`.
    """
    return _updated(state, [_plain(state, "plated_g", PLATED, crystal_g)])


def _plain(state: AnyState, quantity: str, index: int, found: Estimate) -> _Figure:
    row = np.zeros(len(state.mean))
    row[index] = 1.0
    return _Figure(quantity, found, float(state.mean[index]), row)


def _updated(state: AnyState, figures: Sequence[_Figure]) -> Updated[AnyState]:
    for figure in figures:
        if figure.found.u <= 0.0:
            raise refuse("zero_uncertainty", field=figure.quantity, value=figure.found.u)
    rows = np.array([figure.row for figure in figures])
    misses = np.array([figure.found.value - figure.expected for figure in figures])
    noise = np.diag([figure.found.u**2 for figure in figures])
    spread = rows @ state.covariance @ rows.T + noise
    gain = np.linalg.solve(spread, rows @ state.covariance).T
    keep = np.eye(len(state.mean)) - gain @ rows
    # The symmetric (Joseph) form keeps every variance at or above zero in floating point.
    covariance = keep @ state.covariance @ keep.T + gain @ noise @ gain.T
    mean = state.mean + gain @ misses
    if mean[VOLUME] <= 0.0:
        raise refuse(
            "contradicts_state:state_update",
            field=figures[0].quantity,
            value=figures[0].found.value,
        )
    surprises = tuple(
        Surprise(figure.quantity, figure.expected, figure.found.value, float(miss / width**0.5))
        for figure, miss, width in zip(figures, misses, np.diag(spread), strict=True)
    )
    # No amount is negative; a figure that pulls one below zero leaves it at zero.
    corrected = replace(state, mean=np.maximum(mean, 0.0), covariance=covariance)
    return Updated(corrected, surprises)
