"""A measurement or an assay is found wrong: it stays on record, and says so."""

from __future__ import annotations

from config.refusals import RefusalError, refuse
from lots.ledger.recording import Act, recorded_once
from lots.measurements.ruling_assays import ruling_assay
from lots.models import Assay, Measurement, Withdrawal
from lots.texts import checked_reason


@recorded_once
def withdraw_measurement(*, measurement: Measurement, reason: str, act: Act) -> Withdrawal:
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


@recorded_once
def withdraw_assay(*, assay: Assay, reason: str, act: Act) -> Withdrawal:
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


def _already(field: str, what: Measurement | Assay) -> RefusalError:
    return refuse("already_withdrawn:withdrawal", field=field, value=what.pk)
