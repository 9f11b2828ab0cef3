"""Weighings over a balance's line: a lot is named, then its next steady weight is kept."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from config.refusals import RefusalError, refuse
from lots.codes import LotCode
from lots.ledger.recording import Act
from lots.measurements.scale_lines import read_line
from lots.measurements.weighings import Weight, record_weighing
from lots.models import Balance, Lot, Weighing


@dataclass(frozen=True)
class Scale:
    """The balance on the line and how its lines are read; `tare_ug` is of the vessel on the pan."""

    balance: Balance
    pattern: re.Pattern[str]
    unit: str = ""
    tare_ug: int = 0
    purpose: str = Weighing.Purpose.CHECK


Told = Lot | Weighing | RefusalError


def keep_readings(
    lines: Iterable[str], scale: Scale, act: Act, *, lot: Lot | None = None
) -> Iterator[Told]:
    """Reads lines as they come; yields each lot chosen, each weighing kept, each refusal.

    After a lot is named (by `lot`, or by a scanned code) its next stable reading above zero is kept
    as a weighing, and nothing more until a lot is named again. The same lines read once more keep
    nothing twice: a weighing's key is a digest of all lines up to it and of `act.key`.
    """
    digest = hashlib.sha256(f"{scale.balance.code} {act.key}".encode())
    for line in lines:
        digest.update(f"{line}\n".encode())
        found = read_line(line, scale.pattern, scale.unit)
        try:
            if isinstance(found, LotCode):
                lot = _lot(found)
                yield lot
            elif found is not None and lot is not None and found.is_stable and found.mass_ug > 0:
                weight = Weight(found.mass_ug, scale.tare_ug, scale.balance, found.written)
                keyed = replace(act, key=f"scale-{digest.hexdigest()[:40]}")
                weighed, lot = lot, None
                yield record_weighing(lot=weighed, weight=weight, purpose=scale.purpose, act=keyed)
        except RefusalError as refusal:
            yield refusal


def _lot(code: LotCode) -> Lot:
    lot = Lot.objects.filter(code=str(code)).first()
    if lot is None:
        raise refuse("unknown:scale_readings", field="lot", value=code)
    return lot
