"""Which figures can be known at all, and which are checked by something else?

The four classes of data reconciliation (Narasimhan and Jordache, Data Reconciliation and Gross
Error Detection, Gulf 2000, chapter 3; the chapter number is from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from reports.statistics.elimination import Reduction, reduce_balances


class Standing(Enum):
    """What the balances say about one figure."""

    REDUNDANT = "measured, checked by other figures"
    UNCHECKED = "measured, checked by nothing"
    OBSERVABLE = "not measured, follows from other figures"
    UNOBSERVABLE = "not measured, cannot be known"


@dataclass(frozen=True)
class Observability:
    """One standing per figure, and for each unknown freedom the figures that hang on it.

    Measuring any one figure of an `undetermined` group settles that freedom of the group.
    """

    standing: tuple[Standing, ...]
    undetermined: tuple[tuple[int, ...], ...]

    def is_estimable(self, index: int) -> bool:
        """Whether the figure has a value at all once the balances are used."""
        return self.standing[index] is not Standing.UNOBSERVABLE


def classify(matrix: csr_array, measured: NDArray[np.bool_]) -> Observability:
    """Classify every column of `matrix` x = b; no values are needed."""
    target = np.zeros(matrix.shape[0])
    return from_reduction(reduce_balances(csr_array(matrix), target, measured), measured)


def from_reduction(reduction: Reduction, measured: NDArray[np.bool_]) -> Observability:
    """The same from an elimination already done."""
    checked = np.asarray(abs(reduction.matrix).sum(axis=0)).ravel() > 0
    standing = [
        Standing.OBSERVABLE if not known else Standing.REDUNDANT if seen else Standing.UNCHECKED
        for known, seen in zip(measured.tolist(), checked.tolist(), strict=True)
    ]
    for column in reduction.unobservable.tolist():
        standing[column] = Standing.UNOBSERVABLE
    return Observability(standing=tuple(standing), undetermined=reduction.free_groups)
