"""What the reports answer is what the API's own description says they answer."""

from __future__ import annotations

from typing import Any

import pytest

from lots.api.traces import TraceLot
from reports.api.accounts import AccountReport, MovementsReport
from reports.api.best_estimate import MonthDifferences, MonthDoubt, MonthEstimate
from reports.api.inventory import InventoryReport, ObligationsReport
from reports.api.losses import LossesReport
from reports.api.lots import AnswerLot, OneLot
from reports.api.months import ClaimsReport, MonthReport

QUERY: dict[str, dict[str, str]] = {
    "reports/losses/": {"from_month": "2026-04", "to_month": "2026-05"},
    "reports/claims/": {"month": "2026-04"},
    "reports/accounts/pellow-dane/": {"from_date": "2026-04-01", "to_date": "2026-06-30"},
    "reports/movements/": {"from_date": "2026-04-01", "to_date": "2026-06-30"},
}


@pytest.fixture
def get(api, in_june):
    """Gets an address that must answer."""

    def ask(address: str, **query: Any) -> Any:
        answer = api.get(f"/api/v1/{address}", query)
        assert answer.status_code == 200, (address, answer.content)
        return answer

    return ask


def assert_documented(value: Any, schema: dict[str, Any], where: str) -> None:
    """`value` has exactly the fields that the schema names, all the way down."""
    if not schema:  # a total row: its columns are its table's
        return
    if isinstance(value, dict) and "properties" in schema:
        assert set(value) == set(schema["properties"]), where
        for name, each in value.items():
            assert_documented(each, schema["properties"][name], f"{where}.{name}")
    elif isinstance(value, dict):
        assert schema["type"] == "object", where
        for name, each in value.items():
            assert_documented(each, schema["additionalProperties"], f"{where}.{name}")
    elif isinstance(value, list):
        assert schema["type"] == "array", where
        for each in value:
            assert_documented(each, schema["items"], f"{where}[]")
    elif value is None:
        assert schema.get("nullable"), where
    else:
        kinds = {"string": str, "integer": int, "number": int | float, "boolean": bool}
        assert isinstance(value, kinds[schema["type"]]), where


@pytest.mark.parametrize(
    ("address", "view"),
    [
        ("reports/inventory/", InventoryReport),
        ("reports/obligations/", ObligationsReport),
        ("reports/losses/", LossesReport),
        ("reports/months/2026-04/", MonthReport),
        ("reports/months/2026-04/best-estimate/", MonthEstimate),
        ("reports/months/2026-04/doubt/", MonthDoubt),
        ("reports/months/2026-04/differences/", MonthDifferences),
        ("reports/claims/", ClaimsReport),
        ("reports/accounts/pellow-dane/", AccountReport),
        ("reports/movements/", MovementsReport),
        ("lots/{lot}/sheet/", OneLot),
        ("lots/{lot}/answer/", AnswerLot),
        ("lots/{lot}/trace/", TraceLot),
    ],
)
def test_a_report_answers_as_it_is_documented(get, in_june, address, view):
    query = QUERY.get(address, {})
    shown = get(address.format(lot=in_june.pooled.code), **query).json()
    assert_documented(shown, view.documented(), address)
