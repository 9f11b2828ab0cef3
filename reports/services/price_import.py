"""A table of fixings comes in as CSV: every row is on record afterwards, or none is."""

from __future__ import annotations

import csv
import datetime as dt
import io
from dataclasses import dataclass
from typing import Final

from django.conf import settings
from django.db import transaction

from config.refusals import InvalidError, RefusalError, RowsRefusedError, refuse
from lots.ledger.recording import Act, lock_ledger
from lots.units import parse_decimal
from reports.models import MetalPrice
from reports.services.prices import record_price

COLUMNS: Final = ("from_date", "metal", "per_unit", "price", "currency", "source")
NEEDED: Final = COLUMNS[:5]
ROWS_MAX: Final = 20_000


@dataclass(frozen=True)
class LoadedPrices:
    """How many rows were new, and how many were on record already just as given."""

    recorded: int
    already_there: int


def load_prices(*, content: bytes, act: Act) -> LoadedPrices:
    """Enters every row of a CSV file with the columns `COLUMNS` (`source` may be left out).

    A row that is on record with the same price is passed over, so the same file may come again.
    Raises InvalidError on `file` (`too_large`, `not_a_price_table`, `too_many_rows`), and
    RowsRefusedError with every row's own problem, its field named `rows.<line>.<column>`.
    """
    rows = _rows(content)
    refused: list[RefusalError] = []
    recorded = 0
    with transaction.atomic():
        lock_ledger()
        for line, row in rows:
            try:
                recorded += _enter(row, act)
            except RefusalError as error:
                error.field = f"rows.{line}.{error.field}"
                refused.append(error)
        if refused:
            raise RowsRefusedError(refused, len(rows))
    return LoadedPrices(recorded, len(rows) - recorded)


def _enter(row: dict[str, str], act: Act) -> bool:
    """Whether the row was new."""
    day = _day(row["from_date"])
    price = parse_decimal(row["price"], field="price")
    there = MetalPrice.objects.filter(
        metal=row["metal"], currency=row["currency"], from_date=day
    ).first()
    if there is None:
        record_price(
            metal=row["metal"],
            per_unit=row["per_unit"],
            price=price,
            currency=row["currency"],
            from_date=day,
            source=row.get("source", ""),
            act=act,
        )
        return True
    if (there.price, there.per_unit) == (price, row["per_unit"]):
        return False
    raise refuse(
        "price_exists", field="price", value=f"{row['price']} per {row['per_unit']}", there=there
    )


def _rows(content: bytes) -> list[tuple[int, dict[str, str]]]:
    """Each row below the header with the number of its line, blank lines left out."""
    if len(content) > settings.UPLOAD_BYTES_MAX:
        raise _no_table("The file is too large.", code="too_large", remedy="Send it in parts.")
    try:
        reader = csv.DictReader(
            io.StringIO(content.decode("utf-8-sig"), newline=""), strict=True, restkey="more"
        )
        names = [name.strip().casefold() for name in reader.fieldnames or ()]
        reader.fieldnames = names
        if not set(NEEDED) <= set(names) <= set(COLUMNS) or len(set(names)) < len(names):
            raise _not_a_table()
        rows = [
            (reader.line_num, {name: (value or "").strip() for name, value in row.items()})
            for row in reader
            if "more" not in row or _too_many_cells()
        ]
    except (UnicodeDecodeError, csv.Error) as error:
        raise _not_a_table() from error
    if len(rows) > ROWS_MAX:
        raise _no_table(
            f"The file has more than {ROWS_MAX} rows.",
            code="too_many_rows",
            remedy="Send it in parts.",
        )
    return [(line, row) for line, row in rows if any(row.values())]


def _day(text: str) -> dt.date:
    try:
        return dt.date.fromisoformat(text)
    except ValueError as error:
        raise refuse("not_a_day", field="from_date", value=text) from error


def _too_many_cells() -> bool:
    raise _not_a_table()


def _not_a_table() -> InvalidError:
    return _no_table(
        "This is not a CSV table of prices.",
        code="not_a_price_table",
        remedy=f"Begin with a line of names: {','.join(COLUMNS)}. Encode it as UTF-8.",
    )


def _no_table(message: str, *, code: str, remedy: str) -> InvalidError:
    return InvalidError(message, code=code, field="file", remedy=remedy)
