"""Which numbers a calculation of the cell accepts: finite, and inside stated limits.

The books' own numbers are parsed in `lots.units`; this guards the floats of chemistry.
"""

from __future__ import annotations

import math

from config.refusals import InvalidError


def checked(
    value: float,
    *,
    field: str,
    minimum: float = 0.0,
    maximum: float = math.inf,
    above: bool = False,
) -> float:
    """`value` as a float when it is finite and between `minimum` and `maximum`, both included.

    `above` excludes `minimum` itself. Raises InvalidError `not_a_number`, `too_small` or
    `too_large`, naming `field`.
    """
    number = float(value)
    if not math.isfinite(number):
        raise InvalidError(
            "This is not a finite number.",
            code="not_a_number",
            field=field,
            value=value,
            remedy="Enter a plain number.",
        )
    if number < minimum or (above and number == minimum):
        bound = "more than" if above else "at least"
        raise InvalidError(
            f"The value must be {bound} {minimum:g}.",
            code="too_small",
            field=field,
            value=value,
            remedy=f"Enter a number of {bound} {minimum:g}.",
        )
    if number > maximum:
        raise InvalidError(
            f"The value is above the limit of {maximum:g}.",
            code="too_large",
            field=field,
            value=value,
            remedy="Check the number and its unit.",
        )
    return number
