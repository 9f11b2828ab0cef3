"""What is signed of a closed month, and the signature that is in force."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any, Final

from lots.keeping.manifest import ledger_stand
from lots.ledger.row_text import canonical_json
from lots.models import Movement, Party, Seal
from reports.models import MonthEnd, StatementSignature
from reports.queries.month.month_statement import MetalStatement, month_statement
from reports.queries.month.periods import Period, period_of
from reports.signatures import fingerprint_of

FORMAT: Final = "parting-ledger-statement"
VERSION: Final = 1


@dataclass(frozen=True)
class Signed:
    """A signature with all that it takes to verify it elsewhere."""

    content: str
    signature: str
    public_key: str
    fingerprint: str
    signed_at: dt.datetime


def statement_content(month_end: MonthEnd, signed_at: dt.datetime) -> str:
    """The statement as one line of JSON: masses in whole micrograms, by metal and account.

    It names the digest over the month's entries, and where the ledger's chains stood, so that a
    statement kept elsewhere holds the whole history before it. Where one person did what otherwise
    takes two, it says so.
    """
    assert month_end.closed_at is not None
    statement = month_statement(period_of(month_end.books_month))
    house = Party.objects.filter(kind=Party.Kind.HOUSE).first()
    said = {"approval": list(statement.approval)} if statement.approval else {}
    return canonical_json(
        {
            **said,
            "format": FORMAT,
            "format_version": VERSION,
            "works": house.name if house else "",
            "month": str(statement.period),
            "closed_at": month_end.closed_at.isoformat(),
            "signed_at": signed_at.isoformat(),
            "statement_digest": month_end.statement_digest,
            "ledger": ledger_stand(),
            "metals": [_metal(each) for each in statement.metals],
        }
    )


def signed_month(period: Period) -> Signed | None:
    """The signature of a month that is closed as it was signed; None for any other."""
    row = (
        StatementSignature.objects.filter(
            month_end__books_month__first_day=period.first_day,
            month_end__state=MonthEnd.State.CLOSED,
        )
        .select_related("month_end")
        .first()
    )
    if row is None or row.statement_digest != row.month_end.statement_digest:
        return None
    return Signed(
        content=row.content,
        signature=row.signature,
        public_key=row.public_key,
        fingerprint=fingerprint_of(row.public_key),
        signed_at=row.signed_at,
    )


def against_ledger(figures: dict[str, Any]) -> list[str]:
    """What a signed statement says of the ledger's chains that this ledger does not bear out."""
    stand = figures.get("ledger", {})
    found = []
    sequence, digest = stand.get("last_sequence", 0), stand.get("last_digest")
    if sequence and not Movement.objects.filter(sequence=sequence, digest=digest).exists():
        found.append(f"movement {sequence} has not the digest that was signed")
    number, digest = stand.get("last_seal", 0), stand.get("last_seal_digest")
    if number and not Seal.objects.filter(number=number, digest=digest).exists():
        found.append(f"seal {number} has not the digest that was signed")
    return found


def _metal(each: MetalStatement) -> dict[str, Any]:
    return {
        "metal": each.metal,
        "opening_ug": each.opening_ug,
        "changes_ug": {line.account: line.change_ug for line in each.lines if line.change_ug},
        "closing_ug": each.closing_ug,
        "counted_book_ug": each.counted_book_ug if each.is_counted else None,
        "counted_ug": each.counted_ug if each.is_counted else None,
        "adjusted_ug": each.adjusted_ug if each.is_counted else None,
    }
