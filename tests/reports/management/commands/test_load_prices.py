"""A table of fixings comes in by command: all of it or nothing, and as often as it likes."""

from __future__ import annotations

import io
from decimal import Decimal
from types import SimpleNamespace

import pytest
from django.core.management import CommandError, call_command

from reports.models import MetalPrice
from tests.builders import row_counts

# Invented prices.
TABLE = """from_date,metal,per_unit,price,currency,source
2026-05-01,Ag,ozt,29.4150,EUR,works' own table
2026-05-01,Au,ozt,2871.5,EUR,works' own table

2026-05-04,Ag,g,0.9511,EUR,
"""


@pytest.fixture
def load(works, tmp_path, capsys):
    def run(text: str | bytes, who: str = "accountant") -> str:
        path = tmp_path / "prices.csv"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        call_command("load_prices", str(path), "--as", who)
        return capsys.readouterr().out

    return run


def test_a_table_is_entered_once_however_often_it_comes(load):
    assert load(TABLE) == "3 prices recorded, 0 were there already\n"
    silver = MetalPrice.objects.get(metal="Ag", from_date="2026-05-04")
    assert (silver.price, silver.per_unit, silver.source) == (Decimal("0.9511"), "g", "")
    longer = TABLE + "2026-05-05,Ag,ozt,29.5,EUR,\n"
    assert load("\ufeff" + longer) == "1 prices recorded, 3 were there already\n"
    assert MetalPrice.objects.count() == 4


def test_from_standard_input(works, monkeypatch, capsys):
    stdin = SimpleNamespace(buffer=io.BytesIO(TABLE.encode()))
    monkeypatch.setattr("sys.stdin", stdin)
    call_command("load_prices", "-", "--as", "manager")
    assert MetalPrice.objects.count() == 3


def test_one_bad_row_and_nothing_is_entered(load, capsys):
    load(TABLE)
    bad = (
        "metal,from_date,currency,price,per_unit\n"
        "Pd,2026-05-06,EUR,980,ozt\n"
        "Ag,2026-05-01,EUR,30,ozt\n"
        "Xx,2026-05-06,EUR,1,ozt\n"
        "Ag,6 May,EUR,1,ozt\n"
        "Ag,2026-05-06,EUR,-1,ozt\n"
        "Ag,2026-05-06,eur,1,lb\n"
    )
    before = row_counts()
    with pytest.raises(CommandError, match="5 of 6 rows"):
        load(bad)
    told = capsys.readouterr().err.splitlines()
    assert [line.split(":")[0] for line in told] == [
        "rows.3.price",
        "rows.4.metal",
        "rows.5.from_date",
        "rows.6.price",
        "rows.7.per_unit",
    ]
    assert row_counts() == before


@pytest.mark.parametrize(
    "content",
    [
        "",
        "a,b\n1,2\n",
        TABLE.replace("metal", "metal,metal", 1),
        TABLE + "1,2,3,4,5,6,7\n",
        b"\xff",
    ],
)
def test_what_is_no_table_of_prices_is_refused(load, content):
    with pytest.raises(CommandError, match="not a CSV table"):
        load(content)
    assert not MetalPrice.objects.exists()


@pytest.mark.parametrize(("who", "says"), [("operator", "may not"), ("nobody", "no such person")])
def test_only_the_office_enters_prices(load, who, says):
    with pytest.raises(CommandError, match=says):
        load(TABLE, who)
    assert not MetalPrice.objects.exists()
