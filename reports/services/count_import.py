"""A filled-in count form comes back: every row is recorded, or none and each fault is named."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Final

from django.conf import settings
from django.core.files.base import File
from django.db import transaction

from config.refusals import RefusalError, RowsRefusedError, refuse
from lots.codes import parse_code
from lots.declaration.event import Asks, Event
from lots.ledger.recording import Act, recorded_once
from lots.measurements.outputs import Volume
from lots.measurements.weighings import Weight
from lots.models import Balance, Lot
from lots.units import VOLUME_UL_MAX, mass_to_ug, parse_decimal
from reports.models import CountLine, CountSheet
from reports.services.count_upload import UploadedRow, read_rows
from reports.services.counts import ON_SHEET, Found, first_count

_METHOD = CountLine.Method
_UL_PER_ML: Final = 1000


@recorded_once
def import_counts(
    *,
    sheet: CountSheet,
    file: Annotated[File, Asks("The filled-in form, xlsx or CSV")],  # type: ignore[type-arg]
    act: Act,
) -> CountSheet:
    """Enters every row of a filled-in form (xlsx or CSV) as a count of the sheet's lots.

    Rows without a figure are lots not counted yet. Raises InvalidError `too_large`, what
    `read_rows` refuses, and RowsRefusedError with every row's problem, its field named
    `rows.<number>.<column>`.
    """
    if file.size > settings.UPLOAD_BYTES_MAX:
        raise refuse("too_large", field="file", value=file.size)
    rows = read_rows(file.read())
    refused: list[RefusalError] = []
    seen: set[str] = set()
    for row in rows:
        try:
            # One row's refusal must not leave half of it behind while the rest is still checked.
            with transaction.atomic():
                _enter(sheet, row, seen, act)
        except RefusalError as error:
            error.field = f"rows.{row.number}.{_column(error.field)}"
            refused.append(error)
    if refused:
        raise RowsRefusedError(refused, len(rows))
    sheet.refresh_from_db()
    return sheet


UPLOAD: Final = Event(
    import_counts,
    on=ON_SHEET,
    at="upload",
    name="sheet-upload",
    about="Enter every row of a filled-in form, or none: each row at fault is named in `problems`.",
    title="Bring the filled-in form back",
    lead="Every row is entered, or none: a row that can't be is named, with what to put right.",
    button="Enter the counts",
    done="The counts are entered.",
    page_at="/counts/<str:code>/upload",
)


def _enter(sheet: CountSheet, row: UploadedRow, seen: set[str], act: Act) -> None:
    cells = row.cells
    if cells.get("sheet") != sheet.code:
        raise refuse("other_sheet", field="sheet", value=cells.get("sheet"), sheet=sheet.code)
    lot = _lot(cells.get("lot", ""))
    if lot.code in seen:
        raise refuse("counted_twice", field="lot", value=lot.code)
    seen.add(lot.code)
    found = _found(cells)
    if found is not None:
        first_count(sheet, lot, found, _noted(act, cells.get("note", "")))


def _found(cells: dict[str, str]) -> Found | None:
    """What the row says was found; None for a lot not counted yet."""
    has_weight, has_volume = bool(cells.get("gross")), bool(cells.get("volume_ml"))
    how = way_of_counting(cells.get("how", "").casefold(), has_weight, has_volume)
    if how is None:
        return None
    if how == _METHOD.WEIGHED:
        return Found(weight=_weight(cells))
    if how == _METHOD.VOLUME:
        return Found(volume=_volume(cells))
    return Found(sighted=how == _METHOD.SIGHTED, missing=how == _METHOD.MISSING)


def way_of_counting(how: str, has_weight: bool, has_volume: bool) -> str | None:
    """The way a row was counted in, by its word or by its figures; None when not counted yet.

    Raises InvalidError `unknown_choice`, `one_count_needed`.
    """
    if not how:
        if not has_weight and not has_volume:
            return None
        how = _METHOD.WEIGHED if has_weight else _METHOD.VOLUME
    if how not in _METHOD.values:
        raise refuse("unknown_choice:count_import", field="how", value=how)
    if has_weight != (how == _METHOD.WEIGHED) or has_volume != (how == _METHOD.VOLUME):
        raise refuse("one_count_needed", field="how", value=how)
    return how


def _weight(cells: dict[str, str]) -> Weight:
    unit = cells.get("unit") or "g"
    code = cells.get("balance", "")
    balance = Balance.objects.filter(code=code).first()
    if balance is None:
        raise refuse("unknown_balance:count_import", field="balance", value=code)
    gross_ug = mass_to_ug(cells["gross"], unit, field="gross")
    tare_ug = mass_to_ug(cells.get("tare") or "0", unit, field="tare", positive=False)
    written = f"{cells['gross']} - {cells.get('tare') or 0} {unit}"
    return Weight(gross_ug, tare_ug, balance, entered_as=written)


def _volume(cells: dict[str, str]) -> Volume:
    if not cells.get("volume_spread_ml"):
        raise refuse("uncertainty_needed", field="volume_spread_ml")
    return Volume(_ul(cells, "volume_ml"), _ul(cells, "volume_spread_ml"))


def _ul(cells: dict[str, str], field: str) -> int:
    most = Decimal(VOLUME_UL_MAX) / _UL_PER_ML
    return int(
        parse_decimal(cells[field], field=field, minimum=Decimal(0), maximum=most, decimals_max=3)
        * _UL_PER_ML
    )


def _lot(code: str) -> Lot:
    lot = Lot.objects.filter(code=str(parse_code(code, field="lot"))).first()
    if lot is None:
        raise refuse("unknown_lot:count_import", field="lot", value=code)
    return lot


def _noted(act: Act, note: str) -> Act:
    return Act(who=act.who, occurred_at=act.occurred_at, note=note[:500] or act.note)


def _column(field: str | None) -> str:
    """The form's own column for what a service calls it."""
    name = (field or "lot").removeprefix("weight.")
    if name.endswith(".unit"):
        return "unit"
    return {"volume": "volume_ml", "weight": "gross", "found": "how"}.get(name, name)
