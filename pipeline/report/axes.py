"""Axes of charts, and the signs that stand on them."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from markupsafe import Markup

from snowtally.report.svg import Scale, join, path, tag, tick_text, ticks
from snowtally.report.units import Unit

WIDTH = 400.0
"""Width of every chart in its own units: texts of 12 units are then read on a phone as well as side by side on a desk."""


def axis_end(unit: Unit, *values: Iterable[float]) -> float:
    """Return the end of an axis from 0 in the page's unit. A little above the largest value, 1 where all are 0."""
    finite = np.array([value for some in values for value in some], float)
    most = unit.plain(float(finite[np.isfinite(finite)].max(initial=0.0)))
    return 1.05 * most if most > 0 else 1.0


def grid_x(across: Scale, unit: Unit, top: float, foot: float) -> Markup:
    """Return the upright lines of an axis, its numbers and unit."""
    marks = ticks(across.low, across.high, 5)
    lines = [tag("path", d=f"M{across(v):.1f} {top}V{foot}", class_="grid") for v in marks]
    texts = [tag("text", tick_text(v, unit.thousands), x=across(v), y=foot + 15, class_="label middle") for v in marks]
    name = tag("text", unit.label, x=across.end, y=foot + 32, class_="label end unit")
    return join([*lines, *texts, name])


def grid_y(up: Scale, unit: Unit, left: float, right: float) -> Markup:
    """Return the level lines of an axis, its numbers and unit."""
    marks = ticks(up.low, up.high, 6)
    lines = [tag("path", d=f"M{left} {up(v):.1f}H{right}", class_="grid") for v in marks]
    texts = [tag("text", tick_text(v, unit.thousands), x=left - 6, y=up(v) + 4, class_="label end") for v in marks]
    # Above the highest number, which may stand at the axis' very end.
    name = tag("text", unit.label, x=2, y=up.end - 11, class_="label unit")
    return join([*lines, *texts, name])


def whisker_x(low: float, high: float, y: float) -> Markup:
    """Return a level stroke with ends, for an interval."""
    return tag("path", d=f"M{low:.1f} {y - 3:.1f}v6m0 -3H{high:.1f}m0 -3v6", class_="whisker")


def whisker_y(x: float, low: float, high: float) -> Markup:
    """Return an upright stroke with ends, for an interval."""
    return tag("path", d=f"M{x - 3:.1f} {low:.1f}h6m-3 0V{high:.1f}m-3 0h6", class_="whisker")


def marker(at: tuple[float, float], kind: str, words: str, *, used: bool, size: float = 5.0) -> Markup:
    """Return the sign of a site. A triangle for a course, a square for a station, a circle where it is not known."""
    x, y = at
    name = "site" if used else "site unused"
    title = tag("title", words)
    if kind == "course":
        points = [(x, y - 1.2 * size), (x + 1.1 * size, y + 0.8 * size), (x - 1.1 * size, y + 0.8 * size)]
        return tag("path", title, d=path(points, closed=True), class_=f"{name} course")
    if kind == "station":
        side = 1.7 * size
        return tag("rect", title, x=x - side / 2, y=y - side / 2, width=side, height=side, class_=f"{name} station")
    return tag("circle", title, cx=x, cy=y, r=size, class_=name)
