"""`{% chart figure %}`: a chart with its caption, its legend and its table alternative."""

from __future__ import annotations

from typing import Any

from django import template
from django.utils.safestring import mark_safe

from config.drawing.chart_drawing import draw
from config.drawing.charts import Chart, LineChart, tabulate

register = template.Library()


@register.inclusion_tag("site/chart.html", name="chart")
def show_chart(chart: Chart, note: str = "") -> dict[str, Any]:
    """`draw` escapes every text it prints, so its markup is safe."""
    return {
        "chart": chart,
        "svg": mark_safe(draw(chart)),  # noqa: S308
        "table": tabulate(chart),
        "series": chart.series if isinstance(chart, LineChart) else (),
        "bands": chart.bands if isinstance(chart, LineChart) else (),
        "note": note,
    }
