"""A run's page shows the bath by the charge and ahead, against the cell's limits."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.test import Client
from django.urls import reverse

from cells.services.readings import Instruments, record_reading
from cells.services.start_run import start_run
from config.drawing.charts import tabulate
from lots import clock


def test_bath_is_drawn_to_the_forecast_end_with_its_interval(bench, browser: Client) -> None:
    run = start_run(run=bench.charged(), act=bench.act(2), first=Instruments(Decimal(12)))
    for hour in range(1, 13):
        read = Instruments(Decimal(12) - Decimal(hour) / 10)
        if hour == 6:
            read = Instruments(Decimal("11.4"), silver_g_per_l=Decimal("58"))
        record_reading(run=run, instruments=read, act=bench.act(2 + hour))
    with clock.at(bench.act(14).moment):
        page = browser.get(reverse("run", args=[run.code]))
    bath = page.context["charts"][-1]
    series = {each.name: each for each in bath.series}
    silver, copper = (series[f"{metal} so far"].points for metal in ("Silver", "Copper"))
    assert silver[0][1] == pytest.approx(60, rel=0.02)
    assert silver[-1][1] < silver[0][1]
    assert copper[-1][1] > copper[0][1] == pytest.approx(20, rel=0.02)
    assert series["Silver as found"].points == [(6.0, 58.0)]
    forecast = page.context["forecast"]
    end, low, high = bath.bands[0].points[-1]
    assert low < forecast.silver_g_per_l.value < high
    assert end == pytest.approx(12 + forecast.exhausted.hours, rel=1e-3)
    assert {each.name for each in bath.limits} == {"most copper", "least silver"}
    table = tabulate(bath)
    assert "Silver, 95 % interval (grams per litre)" in table.headings
    assert table.rows[-2][:2] == ("most copper", "60.0")
