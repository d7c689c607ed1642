"""Maps of a page: picture, lines, sites, north and scale in one drawing whose unit is a shown cell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from snowtally.report.axes import marker
from snowtally.report.colours import css
from snowtally.report.pictures import Legend, borders, picture, shade
from snowtally.report.published import Maps
from snowtally.report.svg import tag, tick_text
from snowtally.report.units import Unit

MOST_MARGIN = 0.15
"""Sites outside the basin stretch a map by no more than this share of its size."""


@dataclass(frozen=True)
class SiteSign:
    """A site on the maps. Its column and row are in shown cells, fractions allowed."""

    column: float
    row: float
    kind: str
    used: bool
    words: str


@dataclass(frozen=True)
class Layer:
    """What a map shows. Values (y, x) are in the archive's unit, colours are (levels, 3) along the scale."""

    title: str
    caption: str
    values: np.ndarray
    colours: np.ndarray
    scale: Legend
    unit: Unit


@dataclass(frozen=True)
class Mark:
    """A number of a legend and its position, per cent of the width."""

    at: float
    text: str
    last: bool = False


@dataclass(frozen=True)
class Map:
    """One map as the template takes it."""

    title: str
    svg: Markup
    ramp: str
    marks: list[Mark]
    caption: str


class Sheet:
    """What the maps of a page share: relief, lines, sites, scale."""

    def __init__(self, maps: Maps, signs: list[SiteSign], distance: Unit, most_margin: float = MOST_MARGIN) -> None:
        self.maps, self.distance = maps, distance
        self.light = shade(maps.fields["elevation"], maps.step_m)
        self.inner, self.outer = borders(maps.fields["zone"])
        self.window = _window(maps.inside, signs, most_margin)
        left, top, width, height = self.window
        self.signs = [p for p in signs if left <= p.column <= left + width and top <= p.row <= top + height]

    def draw(self, layer: Layer, over: Sequence[Markup] = ()) -> Map:
        """Return the map of a layer. Cells without snow are drawn as bare ground, but on a map of change.

        `over` is drawn over the sites; its unit is a shown cell.
        """
        values, colours, scale = layer.values, layer.colours, layer.scale
        left, top, width, height = self.window
        rows, columns = values.shape
        size = max(width, height)
        # Snow that has gone since is what a map of change shows; a map of the ground has no snow.
        snow_free = scale.low >= 0 and "source" in self.maps.fields
        bare = no_snow(self.maps) if snow_free else np.zeros(values.shape, bool)
        data = picture(values, self.light, colours, scale, bare)
        stroke = size / 420
        inside = [
            tag("title", layer.title),
            tag("image", href=data, x=0, y=0, width=columns, height=rows, preserveAspectRatio="none"),
            tag("path", d=self.inner, class_="zones", stroke_width=round(stroke, 3)),
            tag("path", d=self.outer, class_="outline", stroke_width=round(2 * stroke, 3)),
            *(marker((p.column, p.row), p.kind, p.words, used=p.used, size=size / 95) for p in self.signs),
            *over,
            _scale_bar(self.window, self.maps.step_m, self.distance),
            _north(self.window, self.maps.north_degrees),
            tag("rect", x=0, y=0, width=1, height=1, class_="here", stroke_width=round(3 * stroke, 3)),
        ]
        view = f"{left:.2f} {top:.2f} {width:.2f} {height:.2f}"
        svg = tag("svg", *inside, viewBox=view, role="img", aria_label=f"{layer.title}. {layer.caption}", class_="map")
        return Map(layer.title, svg, css(colours), _marks(scale, layer.unit), layer.caption)


_NO_SNOW = 3
"""`source` of a cell without snow (docs/archive.md)."""


def no_snow(maps: Maps) -> np.ndarray:
    """Return the cells of the basin without snow, (y, x)."""
    return maps.inside & (maps.fields["source"] == _NO_SNOW)


def _window(inside: np.ndarray, signs: list[SiteSign], most_margin: float) -> tuple[float, float, float, float]:
    """Return left, top, width and height of what a map shows. The basin, and sites near it, with a rim."""
    rows, columns = (np.flatnonzero(inside.any(axis=axis)) for axis in (1, 0))
    if rows.size == 0:
        return 0.0, 0.0, float(inside.shape[1]), float(inside.shape[0])
    left, right, top, foot = float(columns[0]), float(columns[-1] + 1), float(rows[0]), float(rows[-1] + 1)
    spare = most_margin * max(right - left, foot - top)
    near = [p for p in signs if left - spare <= p.column <= right + spare and top - spare <= p.row <= foot + spare]
    left, right = min([left, *(p.column for p in near)]), max([right, *(p.column for p in near)])
    top, foot = min([top, *(p.row for p in near)]), max([foot, *(p.row for p in near)])
    rim = 0.035 * max(right - left, foot - top)
    # Room for the scale beneath.
    return left - rim, top - rim, right - left + 2 * rim, foot - top + 3.2 * rim


def _scale_bar(window: tuple[float, float, float, float], step_m: float, distance: Unit) -> Markup:
    left, top, width, height = window
    size = max(width, height)
    length_m, words = round_length(width * step_m, distance)
    length = length_m / step_m
    x, y = left + 0.03 * size, top + height - 0.03 * size
    tall = 0.012 * size
    return tag(
        "g",
        tag("path", d=f"M{x:.2f} {y - tall:.2f}V{y:.2f}H{x + length:.2f}V{y - tall:.2f}", class_="stroke", stroke_width=round(size / 260, 3)),
        tag("text", words, x=round(x + length + 0.012 * size, 2), y=round(y, 2), class_="furniture", font_size=round(0.032 * size, 2)),
    )  # fmt: skip


def round_length(width_m: float, distance: Unit) -> tuple[float, str]:
    """Return a round length of about a quarter of a map's width, in m, and its words."""
    whole = distance.plain(width_m)
    power = 10.0 ** math.floor(math.log10(whole / 4))
    length = next(n * power for n in (5, 2, 1) if n * power <= whole / 4)
    return length / whole * width_m, f"{tick_text(length, distance.thousands)} {distance.label}"


def _north(window: tuple[float, float, float, float], degrees: float) -> Markup:
    """Return an arrow to true north, in the lower right corner."""
    left, top, width, height = window
    size = max(width, height)
    x, y, tall = left + width - 0.05 * size, top + height - 0.055 * size, 0.05 * size
    arrow = f"M0 {-tall:.2f}L{0.36 * tall:.2f} {0.5 * tall:.2f}L0 {0.2 * tall:.2f}L{-0.36 * tall:.2f} {0.5 * tall:.2f}Z"
    return tag(
        "g",
        tag("path", tag("title", "true north"), d=arrow, class_="furniture", transform=f"rotate({degrees:.2f})"),
        tag("text", "N", x=round(-0.9 * tall, 2), y=round(-0.3 * tall, 2), class_="furniture", font_size=round(0.032 * size, 2)),
        transform=f"translate({x:.2f} {y:.2f})",
    )  # fmt: skip


def _marks(scale: Legend, unit: Unit) -> list[Mark]:
    """Return the numbers at the ends of a scale and half way. Values beyond are drawn in the colour of the end."""
    shares = (0.0, 0.25, 0.5, 0.75, 1.0) if scale.low < 0 else (0.0, 0.5, 1.0)
    marks = []
    for share in shares:
        value = float(f"{unit.plain(scale.low + share * (scale.high - scale.low)):.6g}")
        beyond = "" if not scale.beyond else "≥ " if share == 1 else "≤ " if value < 0 and share == 0 else ""
        marks.append(
            Mark(
                100 * share,
                f"{beyond}{'+' if scale.low < 0 < value else ''}{tick_text(value, unit.thousands)}",
                share == 1,
            )
        )
    return marks
