"""The sheet that carries a statement's signature, in pieces that a spreadsheet's cell takes."""

from __future__ import annotations

from typing import Final

from reports.exports.tables import Column, Row, Table
from reports.queries.month.signed_statement import Signed

UNSIGNED: Final = "Not signed: the month is not closed, or the works had no signing key then."
# A cell takes 32,767 characters.
_PIECE: Final = 30_000
SHEET: Final = "Signature"
# The name under which a PDF carries what was signed.
ATTACHED_NAME: Final = "signed-statement.json"
_COLUMNS: Final = (Column("name", "What", width=18), Column("value", "Value", width=100))


def signature_line(signed: Signed | None) -> str:
    """What a statement says of its signature, in one line."""
    if signed is None:
        return UNSIGNED
    return (
        f"Signed (Ed25519) {signed.signed_at:%Y-%m-%d %H:%M} UTC, key {signed.fingerprint}. "
        "manage.py verify_statement checks it without the database."
    )


def signature_table(month: str, signed: Signed | None) -> Table:
    """Everything it takes to verify the statement; the content is what was signed."""
    rows: list[Row] = [{"name": "State", "value": signature_line(signed)}]
    if signed is not None:
        content = signed.content
        pieces = [content[at : at + _PIECE] for at in range(0, len(content), _PIECE)]
        rows += [
            {"name": "Fingerprint", "value": signed.fingerprint},
            {"name": "Public key", "value": signed.public_key},
            {"name": "Signature", "value": signed.signature},
            *({"name": "Content", "value": piece} for piece in pieces),
        ]
    return Table(SHEET, f"Signature {month}", _COLUMNS, rows)
