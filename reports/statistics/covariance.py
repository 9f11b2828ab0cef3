"""How is the uncertainty of many figures held: as independent sources, or as a covariance matrix?

A factor F (figures by sources) stands for the covariance F F^T; a zero row is an exact figure.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array, csr_array, diags_array
from scipy.sparse.csgraph import connected_components

from config.refusals import RefusalError, refuse

Floats = NDArray[np.float64]

# An eigenvalue of the correlation matrix may be this far below zero by rounding alone.
NEGATIVE_EIGENVALUE: Final = 1e-9
BLOCK_MAX: Final = 2_000


def factor_from_sd(sd: Floats) -> csr_array:
    """The factor of independent figures with standard uncertainties `sd` (0 = exact)."""
    return csr_array(diags_array(np.asarray(sd, dtype=float)))


def factor_from_covariance(covariance: csr_array, *, field: str = "covariances") -> csr_array:
    """A factor F with F F^T = `covariance` (sparse, symmetric), block by connected block.

    Raises InvalidError `not_psd` when some sum of figures would have a variance below zero, and
    `too_many` when more than 2,000 figures are correlated in one block.
    """
    size = covariance.shape[0]
    sd = np.sqrt(np.maximum(covariance.diagonal(), 0.0))
    if np.any(covariance.diagonal() < 0):
        raise _not_psd(field, np.flatnonzero(covariance.diagonal() < 0).tolist())
    count, label = connected_components(covariance, directed=False)
    members: list[list[int]] = [[] for _ in range(count)]
    for figure, number in enumerate(label.tolist()):
        members[number].append(figure)
    rows, columns, entries = [], [], []
    for block in members:
        part = _block_factor(covariance, block, sd, field)
        row, column = np.nonzero(part)
        # The source numbers of a block are its own figures' numbers, so that they never clash.
        rows.append(np.array(block)[row])
        columns.append(np.array(block)[column])
        entries.append(part[row, column])
    index = (np.concatenate(rows), np.concatenate(columns))
    return csr_array(coo_array((np.concatenate(entries), index), shape=(size, size)))


def _block_factor(covariance: csr_array, block: list[int], sd: Floats, field: str) -> Floats:
    if len(block) == 1:
        return np.array([[sd[block[0]]]])
    if len(block) > BLOCK_MAX:
        raise refuse("too_many:covariance", field=field, value=len(block), block_max=BLOCK_MAX)
    dense = covariance[block][:, block].toarray()
    own = sd[block]
    if np.any((own == 0) & np.any(dense != 0, axis=1)):
        raise _not_psd(field, block)
    scale = np.where(own > 0, own, 1.0)
    values, vectors = np.linalg.eigh(dense / np.outer(scale, scale))
    if values[0] < -NEGATIVE_EIGENVALUE * len(block):
        raise _not_psd(field, block)
    values[values < 1e-14 * len(block)] = 0.0
    return np.asarray(scale[:, None] * vectors * np.sqrt(values))


def _not_psd(field: str, block: list[int]) -> RefusalError:
    return refuse("not_psd", field=field, value=block[:10])
