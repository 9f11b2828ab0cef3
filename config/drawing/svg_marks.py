"""The marks a chart's SVG is made of. Every text is escaped here; colours are CSS classes."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from math import isfinite
from typing import Final

WIDTH: Final = 460
# For charts whose labels are long.
WIDE: Final = 640


def svg(title: str, height: float, body: Sequence[str], kind: str, width: int = WIDTH) -> str:
    inner = "".join(body)
    # These keep their own width and are scrolled, so that their names stay legible.
    own = f'width="{width}" height="{height:g}" ' if kind in {"web", "streams"} else ""
    return (
        f'<svg class="chart chart-{kind}" {own}viewBox="0 0 {width} {height:g}" role="img" '
        f'aria-label="{escape(title)}" preserveAspectRatio="xMidYMid meet">{inner}</svg>'
    )


def text_at(x: float, y: float, text: str, css: str = "", anchor: str = "start") -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" class="{css}">{escape(text)}</text>'
    )


def line(x1: float, y1: float, x2: float, y2: float, css: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{css}"/>'


def rect(x: float, y: float, width: float, height: float, css: str) -> str:
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{max(width, 0.8):.1f}" height="{height:.1f}" '
        f'class="{css}"/>'
    )


def check_finite(values: Sequence[float]) -> None:
    if not all(map(isfinite, values)):
        raise ValueError("a chart needs finite figures")


def ribbon(begin: tuple[float, float], end: tuple[float, float], width: float, css: str) -> str:
    """A ribbon of even width; `begin` and `end` are the corners of its upper edge."""
    (x1, y1), (x2, y2) = begin, end
    bend = (x1 + x2) / 2
    return (
        f'<path class="{css}" d="M{x1:.1f},{y1:.1f} C{bend:.1f},{y1:.1f} {bend:.1f},{y2:.1f} '
        f"{x2:.1f},{y2:.1f} L{x2:.1f},{y2 + width:.1f} C{bend:.1f},{y2 + width:.1f} "
        f'{bend:.1f},{y1 + width:.1f} {x1:.1f},{y1 + width:.1f} Z"/>'
    )
