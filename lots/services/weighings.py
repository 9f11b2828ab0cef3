"""Puts a lot on a balance and keeps what it read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from django.utils import timezone

from config.refusals import InvalidError
from lots import clock
from lots.models import Balance, Lot, Measurement, Weighing
from lots.queries.works_zone import works_zone
from lots.services.recording import Act, recorded_once
from lots.units import ug_to_g

# Two readings of one balance, gross and tare, each with the balance's own uncertainty.
_TWO_READINGS: Final = 2**0.5


@dataclass(frozen=True)
class Weight:
    """What was read: gross and tare in micrograms on one balance. `tare_ug` 0: tared on the pan."""

    gross_ug: int
    tare_ug: int
    balance: Balance
    entered_as: str = ""

    @property
    def net_ug(self) -> int:
        return self.gross_ug - self.tare_ug


def check_weight(weight: Weight, *, field: str = "weight") -> None:
    """Refuses a weighing that can't be: `not_positive`, `tare_above_gross`, `above_capacity`."""
    if weight.gross_ug <= 0 or weight.tare_ug < 0:
        raise InvalidError(
            "The gross must be above zero and the tare not below it.",
            code="not_positive",
            field=f"{field}.gross" if weight.gross_ug <= 0 else f"{field}.tare",
            value=ug_to_g(weight.gross_ug if weight.gross_ug <= 0 else weight.tare_ug),
            remedy="Enter gross and tare as read.",
        )
    if weight.tare_ug >= weight.gross_ug:
        raise InvalidError(
            "The tare is not below the gross.",
            code="tare_above_gross",
            field=f"{field}.tare",
            value=f"{ug_to_g(weight.tare_ug)} g",
            remedy="Check that gross and tare are not exchanged, and their units.",
        )
    if weight.gross_ug > weight.balance.capacity_ug:
        raise InvalidError(
            f"Balance {weight.balance} takes no more than {ug_to_g(weight.balance.capacity_ug)} g.",
            code="above_capacity",
            field=f"{field}.gross",
            value=f"{ug_to_g(weight.gross_ug)} g",
            remedy="Name the balance that was used, or check the unit.",
        )


def net_uncertainty_ug(weight: Weight) -> int:
    """Standard uncertainty of the net: of one reading, or of the difference of two."""
    one = weight.balance.standard_uncertainty_ug
    return round(one * _TWO_READINGS) if weight.tare_ug else one


def keep_weighing(
    lot: Lot, weight: Weight, purpose: str, act: Act, *, field: str = "weight"
) -> Weighing:
    """The weighing as a fact of `lot`; for services that weigh as part of what they do.

    A balance whose calibration has run out is accepted and the weighing stays marked for it.
    """
    check_weight(weight, field=field)
    day = timezone.localdate(act.moment, works_zone())
    return Weighing.objects.create(
        kind=Measurement.Kind.WEIGHING,
        lot=lot,
        taken_at=act.moment,
        recorded_at=clock.now(),
        taken_by_id=act.who.pk,
        note=act.note,
        balance=weight.balance,
        purpose=purpose,
        gross_ug=weight.gross_ug,
        tare_ug=weight.tare_ug,
        net_ug=weight.net_ug,
        standard_uncertainty_ug=net_uncertainty_ug(weight),
        calibration_overdue=weight.balance.is_overdue(day),
        entered_as=weight.entered_as[:80],
    )


@recorded_once
def record_weighing(*, lot: Lot, weight: Weight, purpose: str, act: Act) -> Weighing:
    """A weighing by itself: it changes nothing on the books until someone posts its difference."""
    return keep_weighing(lot, weight, purpose, act)
