"""Puts a lot on a balance and keeps what it read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final

from django.utils import timezone

from config.refusals import refuse
from lots import clock
from lots.declaration.event import SUBJECT, Asks, Event
from lots.ledger.recording import Act, recorded_once
from lots.models import Balance, Lot, Measurement, Weighing
from lots.queries.likely_lots import weighed_held
from lots.queries.works_zone import works_zone
from lots.services.lot_register import ON_LOT, THERE, of_lot
from lots.units import ug_to_g

# Two readings of one balance, gross and tare, each with the balance's own uncertainty.
_TWO_READINGS: Final = 2**0.5


@dataclass(frozen=True)
class Weight:
    """What was read: gross and tare in micrograms on one balance. `tare_ug` 0: tared on the pan."""

    gross_ug: Annotated[int, Asks("Gross", "As in 1302.4 g or 41.87 ozt.")]
    tare_ug: Annotated[
        int, Asks("Tare", "Empty when the pan was tared.", positive=False, otherwise=0)
    ]
    balance: Balance
    entered_as: Annotated[str, Asks(typed="gross", at_most=80)] = ""

    @property
    def net_ug(self) -> int:
        return self.gross_ug - self.tare_ug


def check_weight(weight: Weight, *, field: str = "weight") -> None:
    """Refuses a weighing that can't be: `not_positive`, `tare_above_gross`, `above_capacity`."""
    if weight.gross_ug <= 0 or weight.tare_ug < 0:
        raise refuse(
            "not_positive:weighings",
            field=f"{field}.gross" if weight.gross_ug <= 0 else f"{field}.tare",
            value=ug_to_g(weight.gross_ug if weight.gross_ug <= 0 else weight.tare_ug),
        )
    if weight.tare_ug >= weight.gross_ug:
        raise refuse(
            "tare_above_gross", field=f"{field}.tare", value=f"{ug_to_g(weight.tare_ug)} g"
        )
    capacity_ug = weight.balance.capacity_ug
    if capacity_ug is not None and weight.gross_ug > capacity_ug:
        raise refuse(
            "above_capacity",
            field=f"{field}.gross",
            value=f"{ug_to_g(weight.gross_ug)} g",
            balance=weight.balance,
            weight=ug_to_g(capacity_ug),
        )


def net_uncertainty_ug(weight: Weight) -> int:
    """Standard uncertainty of the net: of one reading, or of the difference of two."""
    one = weight.balance.standard_uncertainty_ug
    return round(one * _TWO_READINGS) if weight.tare_ug else one


def keep_weighing(
    lot: Lot,
    weight: Weight,
    purpose: str,
    act: Act,
    *,
    field: str = "weight",
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
def record_weighing(
    *,
    lot: Lot,
    weight: Weight,
    purpose: Annotated[
        str,
        Asks("Why it was weighed", choices=Weighing.Purpose, otherwise=Weighing.Purpose.CHECK),
    ],
    act: Act,
) -> Weighing:
    """A weighing by itself: it changes nothing on the books until someone posts its difference."""
    return keep_weighing(lot, weight, purpose, act)


WEIGH: Final = Event(
    record_weighing,
    on=ON_LOT,
    lands=SUBJECT,
    at="weighings",
    name="weigh",
    about="""Record a weighing of a lot.

    It changes nothing on the books by itself; posting its difference is an act of its own.
    """,
    title="Weigh a lot",
    lead="A weighing by itself changes nothing on the books; it is kept beside the lot.",
    button="Keep the weighing",
    done="The weighing is kept.",
    order=("gross", "tare", "balance"),
    page_at="weigh",
    menu=of_lot("Weigh", 10, "Gross, tare, balance", *THERE),
    likely=weighed_held,
)
