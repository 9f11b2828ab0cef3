"""What is no covariance is refused by name."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.sparse import csr_array

from config.refusals import InvalidError
from reports.statistics.covariance import factor_from_covariance

TOO_MANY = np.ones((2001, 2001)) + np.eye(2001)


@pytest.mark.parametrize(
    ("rows", "code", "value"),
    [
        ([[1.0, 0.0], [0.0, -1.0]], "not_psd", "[1]"),
        ([[1.0, 2.0], [2.0, 1.0]], "not_psd", "[0, 1]"),
        ([[1.0, 0.5], [0.5, 0.0]], "not_psd", "[0, 1]"),
        (TOO_MANY, "too_many", "2001"),
    ],
)
def test_a_covariance_that_can_not_be_is_refused(rows, code, value):
    with pytest.raises(InvalidError) as caught:
        factor_from_covariance(csr_array(np.array(rows)), field="given")
    assert (caught.value.code, caught.value.field, caught.value.value) == (code, "given", value)
