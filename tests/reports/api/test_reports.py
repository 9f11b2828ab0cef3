"""Reports: the same figures as JSON, CSV and workbook; as of a moment; what is refused."""

from __future__ import annotations

import csv
import datetime as dt
import io
from decimal import Decimal
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from openpyxl import load_workbook

from lots.models import Movement
from lots.services.write_off import write_off
from reports.conventions import SIGN_CONVENTION
from reports.models import MetalPrice

G = 1_000_000
APRIL_MAY = {"from_month": "2026-04", "to_month": "2026-05"}
SPAN = {"from_date": "2026-04-01", "to_date": "2026-06-30"}
REPORTS: dict[str, dict[str, str]] = {
    "reports/inventory/": {},
    "reports/obligations/": {},
    "reports/lot-sheets/": {},
    "reports/losses/": APRIL_MAY,
    "reports/months/2026-04/": {},
    "reports/claims/": {"month": "2026-04"},
    "reports/accounts/brackwater/": SPAN,
    "reports/movements/": SPAN,
}


@pytest.fixture
def get(api, in_june):
    """Gets an address that must answer."""

    def ask(address: str, **query: Any) -> Any:
        answer = api.get(f"/api/v1/{address}", query)
        assert answer.status_code == 200, (address, answer.content)
        return answer

    return ask


def body(answer: Any) -> bytes:
    return b"".join(answer.streaming_content)


def read_csv(answer: Any) -> list[dict[str, str]]:
    assert answer["Content-Type"].startswith("text/csv")
    return list(csv.DictReader(io.StringIO(body(answer).decode())))


def read_sheets(answer: Any) -> dict[str, list[tuple[Any, ...]]]:
    book = load_workbook(io.BytesIO(body(answer)))
    return {sheet.title: list(sheet.iter_rows(values_only=True)) for sheet in book}


def below(rows: list[tuple[Any, ...]], header: str) -> list[dict[str, Any]]:
    """A sheet's rows by their header, which begins with `header`; totals left out."""
    at = next(number for number, row in enumerate(rows) if row[0] == header)
    names = rows[at]
    found = [dict(zip(names, row, strict=True)) for row in rows[at + 1 :]]
    return [row for row in found if "Total" not in row.values()]


def test_inventory_says_the_same_in_every_form(get):
    shown = get("reports/inventory/").json()
    rows = shown["rows"]
    masses = [(row["metal"], row["lots"], row["mass"]["g"], row["mass"]["ozt"]) for row in rows]
    assert ("Ag", 1, "925.000000", "29.739441") in masses
    written = read_csv(get("reports/inventory/", **{"as": "csv"}))
    assert [
        (row["metal"], int(row["lots"]), row["mass_g"], row["mass_ozt"]) for row in written
    ] == masses
    sheet = below(read_sheets(get("reports/inventory/", **{"as": "xlsx"}))["Inventory"], "Metal")
    in_sheet = [(row["Metal"], row["Lots"], f"{row['Mass, g']:.6f}") for row in sheet]
    assert in_sheet == [each[:3] for each in masses]
    silver = sum(row["mass"]["ug"] for row in rows if row["metal"] == "Ag")
    total = next(each for each in shown["totals"]["inventory"] if each["metal"] == "Ag")
    assert total["mass"]["ug"] == silver
    positions = {each["metal"]: each for each in shown["positions"]}
    assert positions["Ag"]["holdings"]["ug"] == silver
    assert positions["Ag"]["adrift"]["ug"] == 0


def test_inventory_is_narrowed(get, in_june):
    only = get("reports/inventory/", owner="brackwater", metal="Ag").json()["rows"]
    assert [(row["owner"], row["metal"], row["mass"]["ug"]) for row in only] == [
        ("brackwater", "Ag", 925 * G)
    ]
    place = get("reports/inventory/", place="fine-safe", form="bar").json()["rows"]
    assert {(row["place"], row["form"]) for row in place} == {("fine-safe", "bar")}
    assert get("reports/inventory/", area="cell").json()["rows"] == []


def test_inventory_as_of_a_moment_and_as_recorded_by_a_moment(get, in_june, at):
    def silver(**query: str) -> int:
        rows = get("reports/inventory/", metal="Ag", **query).json()["rows"]
        return sum(row["mass"]["ug"] for row in rows)

    assert silver(as_of="2026-04-02T12:00:00Z") == 2925 * G
    known_by = Movement.objects.latest("sequence").recorded_at.isoformat()
    before = silver()
    write_off(lot=in_june.crystal, cause="spill", stage="fine_melt", act=at(4, 1), mass_ug=25 * G)
    assert silver() == before - 25 * G
    assert silver(recorded_as_of=known_by) == before
    assert silver(as_of="2026-04-02T12:00:00Z", recorded_as_of=known_by) == 2925 * G
    assert silver(recorded_as_of="2020-01-01T00:00:00Z") == 0


def test_losses_say_the_same_in_every_form_and_drill_down(get):
    MetalPrice.objects.create(
        metal="Ag", per_unit="g", price=1, currency="EUR", from_date=dt.date(2026, 4, 1)
    )
    shown = get("reports/losses/", currency="EUR", **APRIL_MAY).json()
    assert SIGN_CONVENTION in shown["notes"]
    rows = [
        (row["stage_name"], row["metal"], row["cause"], row["mass"]["g"], row["value"])
        for row in shown["rows"]
    ]
    assert ("Fine melt", "Ag", "spill", "5.000001", "5.00") in rows
    written = read_csv(get("reports/losses/", currency="EUR", **APRIL_MAY, **{"as": "csv"}))
    assert [
        (row["stage"], row["metal"], row["cause"], row["mass_g"], row["value"] or None)
        for row in written
    ] == rows
    sheets = read_sheets(get("reports/losses/", currency="EUR", **APRIL_MAY, **{"as": "xlsx"}))
    in_sheet = [
        (row["Stage"], row["Metal"], row["Cause"] or "", f"{row['Loss, g']:.6f}")
        for row in below(sheets["Losses"], "Month")
    ]
    assert in_sheet == [each[:4] for each in rows]
    trend = read_csv(get("reports/losses/", table="loss_trend", **APRIL_MAY, **{"as": "csv"}))
    assert [row["mass_ug"] for row in trend] == [str(each["mass"]["ug"]) for each in shown["trend"]]
    behind = get("reports/losses/movements/", stage="fine_melt", cause="spill", **APRIL_MAY).json()
    assert [each["mass"]["g"] for each in behind["results"]] == ["5.000001"]
    assert get("reports/losses/", metal="Pt", **APRIL_MAY).json()["rows"] == []


def test_the_month_says_the_same_in_every_form(get):
    shown = get("reports/months/2026-04/").json()
    assert shown["state"] == "open"
    sheets = read_sheets(get("reports/months/2026-04/", **{"as": "xlsx"}))
    lines = below(sheets["Statement"], "Metal")
    for metal in shown["metals"]:
        assert (
            metal["opening"]["ug"] + sum(line["change"]["ug"] for line in metal["lines"])
            == metal["closing"]["ug"]
        )
        of_metal = {row["Line"]: row["Mass, g"] for row in lines if row["Metal"] == metal["metal"]}
        assert f"{of_metal['Opening book']:.6f}" == metal["opening"]["g"]
        for line in metal["lines"]:
            assert f"{of_metal[line['name']]:.6f}" == line["change"]["g"]
        assert str(of_metal["Closing book"]).startswith("=")
    assert "Best estimate" not in sheets
    written = read_csv(get("reports/months/2026-04/", table="statement", **{"as": "csv"}))
    closing = {row["metal"]: row["mass_g"] for row in written if row["line"] == "Closing book"}
    assert closing == {metal["metal"]: metal["closing"]["g"] for metal in shown["metals"]}
    assert any("book less physical" in note for note in shown["notes"])


def test_the_lot_sheet_says_the_same_in_every_form(get, in_june):
    code = in_june.crystal.code
    shown = get(f"lots/{code}/sheet/").json()
    silver = next(each for each in shown["metals"] if each["metal"] == "Ag")
    assert silver["in"]["ug"] - silver["out"]["ug"] == silver["now"]["ug"] == 1_994_999_999
    assert shown["holding"]["metals"]["Ag"] == silver["now"]
    assert (shown["place"], shown["owner"]) == ("fine-safe", "tern-quay")
    written = read_csv(get(f"lots/{code}/sheet/", table="lines", **{"as": "csv"}))
    assert [(row["mass_ug"], row["balance_g"]) for row in written] == [
        (str(line["mass"]["ug"]), line["balance"]["g"]) for line in shown["lines"]
    ]
    sheet = below(read_sheets(get(f"lots/{code}/sheet/", **{"as": "xlsx"}))["Lines"], "Movement")
    assert [f"{row['Left in the lot, g']:.6f}" for row in sheet] == [
        line["balance"]["g"] for line in shown["lines"]
    ]


def test_all_lots_are_paged_or_written_whole(get, in_june):
    first = get("reports/lot-sheets/", page_size=2, ordering="code").json()
    assert (len(first["results"]), first["count"] > 2) == (2, True)
    every = get("reports/lot-sheets/", ordering="code", page_size=500).json()["results"]
    written = read_csv(get("reports/lot-sheets/", ordering="code", **{"as": "csv"}))
    assert [(row["lot"], row["metal"], row["now_ug"]) for row in written] == [
        (each["lot"], metal["metal"], str(metal["now"]["ug"]))
        for each in every
        for metal in each["metals"]
    ]
    narrowed = get("reports/lot-sheets/", owner="brackwater", as_of="2026-04-01T00:00:00Z")
    assert [each["metals"] for each in narrowed.json()["results"]] == [[]]


def test_the_answer_says_the_same_in_every_form(get, in_june):
    code = in_june.pooled.code
    shown = get(f"lots/{code}/answer/").json()
    written = read_csv(get(f"lots/{code}/answer/", **{"as": "csv"}))
    assert [(row["metal"], row["holder"], row["mass_ug"]) for row in written] == [
        (part["metal"], part["holder"], str(part["mass"]["ug"])) for part in shown["parts"]
    ]
    for metal in shown["metals"]:
        assert sum(each["ug"] for each in metal["where"].values()) == metal["entered"]["ug"]
    sheets = read_sheets(get(f"lots/{code}/answer/", **{"as": "xlsx"}))
    grams = [f"{row['Mass, g']:.6f}" for row in below(sheets["Where it is"], "Metal")]
    assert grams == [part["mass"]["g"] for part in shown["parts"]]


def test_an_account_says_the_same_in_every_form(get):
    shown = get("reports/accounts/pellow-dane/", **SPAN).json()
    silver = next(each for each in shown["metals"] if each["metal"] == "Ag")
    assert silver["closing"]["g"] == "479.200000"
    written = read_csv(get("reports/accounts/pellow-dane/", **SPAN, **{"as": "csv"}))
    last = [row for row in written if row["metal"] == "Ag"][-1]
    assert (last["line"], last["balance_g"]) == ("At the end", "479.200000")


def test_obligations_say_what_is_owed_against_what_is_held(get):
    shown = get("reports/obligations/").json()
    silver = next(each for each in shown["metals"] if each["metal"] == "Ag")
    assert silver["owed"]["g"] == "479.200000"
    written = read_csv(get("reports/obligations/", **{"as": "csv"}))
    row = next(row for row in written if row["metal"] == "Ag")
    assert (row["owed_g"], row["cover"]) == ("479.200000", silver["cover"])


def test_claims_are_one_owners_when_asked(get):
    claims = get("reports/claims/", month="2026-04", owner="pellow-dane").json()["claims"]
    assert {each["owner"] for each in claims} == {"pellow-dane"}
    silver = next(each for each in claims if each["metal"] == "Ag")
    assert silver["closing"]["g"] == "479.200000"


def test_movements_are_exported_line_by_line(get):
    shown = get("reports/movements/", **SPAN).json()["rows"]
    written = read_csv(get("reports/movements/", **SPAN, **{"as": "csv"}))
    assert [(int(row["sequence"]), int(row["mass_ug"])) for row in written] == [
        (row["sequence"], row["mass"]["ug"]) for row in shown
    ]
    assert sum(row["mass"]["ug"] for row in shown if row["metal"] == "Ag") == 0


def test_a_note_that_would_run_as_a_formula_is_neutralised(get, in_june, at):
    write_off(
        lot=in_june.crystal, cause="spill", stage="fine_melt", act=at(5, 4, note="=1+1"), mass_ug=G
    )
    written = read_csv(get("reports/movements/", **SPAN, **{"as": "csv"}))
    assert "'=1+1" in {row["note"] for row in written}


@pytest.mark.parametrize("address", sorted({*REPORTS, "lots/X/sheet/", "lots/X/answer/"}))
def test_a_parameter_that_means_nothing_is_refused(api, in_june, address):
    needed = REPORTS.get(address, {})
    for query, code, field in (
        ({"ownr": "x"}, "unknown_filter", "ownr"),
        ({"as": "odt"}, "invalid_choice", "as"),
    ):
        answer = api.get(f"/api/v1/{address}", {**needed, **query})
        problem = answer.json()
        assert (answer.status_code, problem["code"], problem["field"]) == (400, code, field)


@pytest.mark.parametrize(
    ("address", "query", "code", "field"),
    [
        ("reports/inventory/", {"as_of": "soon"}, "invalid", "as_of"),
        ("reports/inventory/", {"recorded_as_of": "2026-13-01"}, "invalid", "recorded_as_of"),
        ("reports/inventory/", {"metal": "Pb"}, "invalid_choice", "metal"),
        ("reports/inventory/", {"owner": "nobody"}, "does_not_exist", "owner"),
        ("reports/inventory/", {"as": "csv", "table": "x"}, "unknown_table", "table"),
        ("reports/lot-sheets/", {"as_of": "soon"}, "invalid", "as_of"),
        ("reports/lot-sheets/", {"form": "soup"}, "invalid_choice", "form"),
        ("reports/losses/", {"from_month": "2026-5"}, "not_a_month", "from_month"),
        (
            "reports/losses/",
            {"from_month": "2026-05", "to_month": "2026-04"},
            "range_reversed",
            "to_month",
        ),
        ("reports/losses/", {"currency": "eur"}, "invalid", "currency"),
        ("reports/losses/movements/", {"to_month": "May"}, "not_a_month", "to_month"),
        ("reports/months/2026-13/", {}, "not_a_month", "month"),
        ("reports/months/2026-04/", {"as_of": "2026-04-01"}, "unknown_filter", "as_of"),
        ("reports/claims/", {}, "required", "month"),
        ("reports/accounts/brackwater/", {}, "required", "from_date"),
        (
            "reports/movements/",
            {"from_date": "2026-05-01", "to_date": "2026-04-01"},
            "range_reversed",
            "to_date",
        ),
        (
            "reports/movements/",
            {"from_date": "2026-05-01", "to_date": "9999-12-31"},
            "too_large",
            "to_date",
        ),
    ],
)
def test_what_a_report_can_not_answer_is_refused_by_name(api, in_june, address, query, code, field):
    answer = api.get(f"/api/v1/{address}", query)
    problem = answer.json()
    assert (answer.status_code, problem["code"], problem["field"]) == (400, code, field)


@pytest.mark.parametrize(
    "address",
    [
        "lots/%00/answer/",
        "lots/%00/trace/",
        "settlements/%00/statement/",
        "reports/accounts/%00/?from_date=2026-01-01&to_date=2026-02-01",
        "runs/%00/summary/",
        "count-sheets/%00/form/",
    ],
)
def test_an_address_that_no_column_can_hold_is_not_found(api, works, address):
    answer = api.get(f"/api/v1/{address}")
    assert (answer.status_code, answer.json()["code"]) == (404, "unknown")


def test_a_lot_nobody_has_is_not_found(api, in_june):
    for address in ("sheet", "answer", "trace"):
        answer = api.get(f"/api/v1/lots/GR26-9999-9/{address}/")
        assert (answer.status_code, answer.json()["code"]) == (404, "unknown")


def test_reports_take_no_more_queries_for_more_lots(get, in_june, at):
    def queries() -> list[int]:
        counted = []
        for address, query in REPORTS.items():
            with CaptureQueriesContext(connection) as captured:
                get(address, **query)
            counted.append(len(captured))
        return counted

    few = queries()
    for hour in range(6):
        write_off(
            lot=in_june.crystal,
            cause="spill",
            stage="fine_melt",
            act=at(4, 21, 9 + hour),
            mass_ug=int(Decimal("0.5") * G),
        )
    assert queries() == few
