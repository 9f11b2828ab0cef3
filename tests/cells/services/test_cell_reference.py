"""Cells are added and edited with checked figures, on the version their editor saw."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import pytest

from cells.models import Cell
from cells.services.cell_reference import CellDetails, create_cell, edit_cell
from config.refusals import ConflictError, RefusalError


@pytest.fixture
def details(bench) -> CellDetails:
    return CellDetails(
        code="south",
        name="South",
        place=bench.works.places["south-cell"],
        bath_volume_ul=20_000_000,
        current_limit_a=Decimal(90),
        fuse_rating_a=Decimal(100),
    )


def test_a_cell_is_added_and_edited(bench, details):
    cell = create_cell(details=details, act=bench.act())
    assert (cell.name, cell.copper_limit_g_per_l, cell.version) == ("South", Decimal(60), 1)
    cell = edit_cell(
        cell=cell,
        version=1,
        details=replace(details, clearance_mm=Decimal("80.5")),
        act=bench.act(),
    )
    assert (cell.clearance_mm, cell.version) == (Decimal("80.5"), 2)


def test_refused_details(bench, details, unchanged):
    before = unchanged()
    for changes, code, field in (
        ({"code": "no spaces"}, "bad_code", "code"),
        ({"code": "north"}, "duplicate_code", "code"),
        ({"name": " "}, "empty", "name"),
        ({"bath_volume_ul": 0}, "not_positive", "bath_volume"),
        ({"basket_ug_max": 10**14}, "too_large", "basket_max"),
        ({"fuse_rating_a": Decimal(0)}, "not_positive", "fuse_rating_a"),
        ({"copper_limit_g_per_l": Decimal("NaN")}, "not_a_number", "copper_limit_g_per_l"),
        ({"ammeter_gain_u": Decimal("-0.1")}, "below_zero", "ammeter_gain_u"),
        ({"lead_rating_a": Decimal(99)}, "fuse_above_leads", "fuse_rating_a"),
        ({"place": bench.works.places["carboys"]}, "not_a_cell_place", "place"),
        ({"clearance_mm": Decimal("1.234")}, "too_many_digits", "clearance_mm"),
    ):
        with pytest.raises(RefusalError) as caught:
            create_cell(details=replace(details, **changes), act=bench.act())
        assert (caught.value.code, caught.value.field) == (code, field)
    assert unchanged() == before


def test_refused_edits(bench, details, unchanged):
    bench.charged()
    north = Cell.objects.get(code="north")
    busy = replace(details, code="north", place=bench.works.places["north-cell"], is_active=False)
    before = unchanged()
    with pytest.raises(ConflictError) as caught:
        edit_cell(cell=north, version=7, details=busy, act=bench.act())
    assert (caught.value.code, caught.value.field) == ("version_conflict", "version")
    with pytest.raises(ConflictError) as caught:
        edit_cell(cell=north, version=1, details=busy, act=bench.act())
    assert (caught.value.code, caught.value.field) == ("cell_in_use", "is_active")
    assert unchanged() == before
