"""A measurement or an assay is found wrong: it stays on record, and says so."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from config.refusals import RefusalError, refuse
from lots.declaration.common import Reason
from lots.declaration.event import SUBJECT, Event, On
from lots.ledger.recording import Act, recorded_once
from lots.measurements.assays import ON_ASSAY
from lots.measurements.ruling_assays import ruling_assay
from lots.models import Assay, Measurement, VolumeReading, Weighing, Withdrawal
from lots.people.roles import ASSAYING
from lots.texts import checked_reason


@recorded_once
def withdraw_measurement(*, measurement: Measurement, reason: Reason, act: Act) -> Withdrawal:
    """Marks a weighing or a volume as wrong. What was posted by it is corrected by a reversal.

    Raises InvalidError `empty`, `too_long`; ConflictError `already_withdrawn`.
    """
    reason = checked_reason(reason)
    if Withdrawal.objects.filter(measurement_id=measurement.pk).exists():
        raise _already("measurement", measurement)
    return Withdrawal.objects.create(
        measurement_id=measurement.pk,
        reason=reason,
        withdrawn_at=act.moment,
        withdrawn_by_id=act.who.pk,
    )


WITHDRAW: Final = Event(
    withdraw_measurement,
    on=On(
        Measurement,
        "measurements/<int:pk>",
        "measurement",
        related=("lot",),
        template="lots/lots_thing_step.html",
        page="lot",
        page_of="lot.code",
    ),
    lands=SUBJECT,
    at="",
    page_at="withdraw",
    name="withdraw-measurement",
    about="""Mark a weighing or a volume reading as wrong; it stays on record.

    What was posted by it is reversed apart.
    """,
    title="Withdraw a measurement",
    lead="It stays on record and says that it is wrong. What was posted by it is reversed apart.",
    button="It is wrong",
    done="Withdrawn.",
)


@recorded_once
def withdraw_assay(*, assay: Assay, reason: Reason, act: Act) -> Withdrawal:
    """Marks an assay as wrong, unless its lot's content rests on it.

    Raises InvalidError `empty`, `too_long`; ConflictError `already_withdrawn`, `assay_rules`.
    """
    reason = checked_reason(reason)
    if Withdrawal.objects.filter(assay=assay).exists():
        raise _already("assay", assay)
    if ruling_assay(assay.lot) == assay:
        raise refuse("assay_rules", field="assay", value=assay.pk, lot=assay.lot)
    return Withdrawal.objects.create(
        assay=assay,
        reason=reason,
        withdrawn_at=act.moment,
        withdrawn_by_id=act.who.pk,
    )


WITHDRAW_WEIGHING: Final = replace(
    WITHDRAW,
    on=On(Weighing, "weighings/<int:pk>", "measurement", also=("weighing",)),
    called="WithdrawWeighing",
    about="Mark a weighing as wrong; it stays on record. What was posted by it is reversed apart.",
    at="withdraw",
    title="",
)
WITHDRAW_VOLUME_READING: Final = replace(
    WITHDRAW,
    on=On(VolumeReading, "volume-readings/<int:pk>", "measurement"),
    called="WithdrawVolumeReading",
    about="Mark a volume reading as wrong; it stays on record.",
    at="withdraw",
    title="",
)
WITHDRAW_ASSAY: Final = Event(
    withdraw_assay,
    on=ON_ASSAY,
    lands=SUBJECT,
    at="withdraw",
    name="withdraw-assay",
    about="Mark an assay as wrong, unless its lot's content rests on it.",
    title="Withdraw an assay",
    lead="It stays on record and says that it is wrong. One that rules is replaced first.",
    button="It is wrong",
    done="Withdrawn.",
    roles=ASSAYING,
)


def _already(field: str, what: Measurement | Assay) -> RefusalError:
    return refuse("already_withdrawn:withdrawal", field=field, value=what.pk)
