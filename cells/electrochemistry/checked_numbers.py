"""Which numbers a calculation of the cell accepts: finite, and inside stated limits.

The books' own numbers are parsed in `lots.units`; this guards the floats of chemistry.
"""

from __future__ import annotations

import math

from config.refusals import refuse


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
        raise refuse("not_a_number", field=field, value=value)
    if number < minimum or (above and number == minimum):
        bound = "more than" if above else "at least"
        raise refuse("too_small", field=field, value=value, bound=bound, minimum=minimum)
    if number > maximum:
        raise refuse("too_large:checked_numbers", field=field, value=value, maximum=maximum)
    return number
