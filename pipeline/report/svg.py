"""Pieces of drawings: tags with everything escaped, axes with round numbers, dates along an axis."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass

from markupsafe import Markup, escape


def tag(name: str, *inside: object, **attributes: object) -> Markup:
    """Return one element of a drawing, its texts and attributes escaped.

    `class_` and `stroke_width` lose and change `_`.

    >>> str(tag("text", "a < b", x=1.25, class_="label"))
    '<text x="1.2" class="label">a &lt; b</text>'
    """
    said = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(_as_text(value))}"' for key, value in attributes.items()
    )
    return Markup(f"<{name}{said}>{''.join(escape(part) for part in inside)}</{name}>")  # noqa: S704  each part is escaped above


def join(parts: Iterable[Markup]) -> Markup:
    """Return elements one after the other."""
    return Markup("").join(parts)


def path(points: Iterable[tuple[float, float]], *, closed: bool = False) -> str:
    """Return the `d` of a line through points."""
    joined = "L".join(f"{_as_text(float(x))} {_as_text(float(y))}" for x, y in points)
    return f"M{joined}{'Z' if closed else ''}" if joined else ""


def drawing(width: float, height: float, title: str, *inside: object, kind: str = "chart") -> Markup:
    """Return a whole drawing that scales with its place. `title` is its text alternative, `kind` its class."""
    return tag(
        "svg",
        *inside,
        viewBox=f"0 0 {_as_text(float(width))} {_as_text(float(height))}",
        role="img",
        aria_label=title,
        class_=kind,
    )


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return at most `most` round numbers from `low` to `high`.

    >>> ticks(0, 143, 6), ticks(0.2, 0.9, 4)
    ([0.0, 50.0, 100.0], [0.2, 0.4, 0.6, 0.8])
    """
    if not high > low:
        return [low]
    power = 10.0 ** math.floor(math.log10((high - low) / most))
    marks: list[float] = []
    for times in (1, 2, 5, 10, 20):
        step = times * power
        first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
        marks = [round(k * step, 12) + 0.0 for k in range(first, last + 1)]
        if len(marks) <= most:
            break
    return marks


def tick_text(value: float, thousands: str) -> str:
    r"""Return a round number as an axis tells it. `thousands` stands between its thousands.

    >>> ascii([tick_text(150000.0, " "), tick_text(0.2, ","), tick_text(-5.0, ",")])
    "['150 000', '0.2', '\\u22125']"
    """
    digits = f"{abs(value):,.10f}".rstrip("0").rstrip(".").replace(",", thousands)
    return ("\u2212" if value < 0 else "") + digits


@dataclass(frozen=True)
class Scale:
    """A straight way from values to places."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        span = (self.high - self.low) or 1.0
        return self.start + (value - self.low) / span * (self.end - self.start)


def month_starts(first: dt.date, last: dt.date) -> list[dt.date]:
    """Return the first days of months from `first` to `last`."""
    months = range(first.year * 12 + first.month - 1, last.year * 12 + last.month)
    starts = (dt.date(month // 12, month % 12 + 1, 1) for month in months)
    return [start for start in starts if start >= first]


def _as_text(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.1f}".removesuffix(".0")
    return str(value)
