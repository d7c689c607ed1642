"""Values against elevation: the cells' spread, the bands' means, and the sites."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from snowtally.report.axes import WIDTH, grid_x, grid_y, marker, whisker_x
from snowtally.report.svg import Scale, drawing, path, tag
from snowtally.report.units import Unit

LEAST_CELLS = 10
"""Cells of a slice of elevation that are enough for its spread: of fewer, a tenth is not a cell."""


@dataclass(frozen=True)
class BandPoint:
    """An elevation band of a profile.

    `elevation_m` is its middle in m, `value` its value, and `se` the standard error. The error is None where there is
    none.
    """

    elevation_m: float
    value: float
    se: float | None


@dataclass(frozen=True)
class SitePoint:
    """A site of a profile; its kind is "course", "station" or ""."""

    elevation_m: float
    value: float
    name: str
    kind: str
    used: bool


@dataclass(frozen=True)
class Profile:
    """Values against elevation.

    Parameters
    ----------
    elevation_m, values : of cells, for the pale area of where eight cells of ten lie.
    """

    elevation_m: np.ndarray
    values: np.ndarray
    bands: list[BandPoint]
    sites: list[SitePoint]


def profile_chart(profile: Profile, unit: Unit, elevation: Unit, title: str, *, from_zero: bool = True) -> Markup:
    """Return values (across) against elevation (up). Spread of the cells, bands with their errors, sites on it."""
    height, top, left, right, foot = 320.0, 24.0, 56.0, 14.0, 280.0
    known = np.isfinite(profile.values)
    heights, values = profile.elevation_m[known], profile.values[known]
    spread = _spread(heights, values)
    everything = np.array(
        [
            *(v for _, low, high in spread for v in (low, high)),
            *(site.value for site in profile.sites),
            *(band.value for band in profile.bands),
        ]
    )
    everything = everything[np.isfinite(everything)]
    grounds = [
        *heights.tolist()[:: max(len(heights) // 2000, 1)],
        *(site.elevation_m for site in profile.sites),
        *(band.elevation_m for band in profile.bands),
    ]
    if not everything.size or not grounds:
        return Markup('<p class="quiet">Nothing to draw.</p>')
    low = 0.0 if from_zero else float(everything.min()) * 0.95
    across = Scale(unit.plain(low), unit.plain(max(float(everything.max()) * 1.05, low + 1.0)), left, WIDTH - right)
    up = Scale(elevation.plain(min(grounds)) - 1, elevation.plain(max(grounds)) + 1, foot, top)
    parts = [grid_x(across, unit, top, foot), grid_y(up, elevation, left, WIDTH - right)]

    def at(value: float, ground: float) -> tuple[float, float]:
        return across(unit.plain(value)), up(elevation.plain(ground))

    if spread:
        outline = [at(v, z) for z, v, _ in spread] + [at(v, z) for z, _, v in reversed(spread)]
        parts.append(tag("path", d=path(outline, closed=True), class_="spread"))
    bands = [band for band in profile.bands if np.isfinite(band.value)]
    parts.append(tag("path", d=path(at(band.value, band.elevation_m) for band in bands), class_="line"))
    for band in bands:
        x, y = at(band.value, band.elevation_m)
        if band.se is not None and np.isfinite(band.se):
            low_end, high_end = max(band.value - band.se, low), band.value + band.se
            parts.append(whisker_x(at(low_end, band.elevation_m)[0], at(high_end, band.elevation_m)[0], y))
        parts.append(tag("circle", cx=x, cy=y, r=2.6, class_="dot"))
    for site in profile.sites:
        if np.isfinite(site.value) and np.isfinite(site.elevation_m):
            value, ground = (
                f"{unit.text(site.value)} {unit.label}",
                f"{elevation.text(site.elevation_m)} {elevation.label}",
            )
            words = f"{site.name}: {value} at {ground}"
            parts.append(marker(at(site.value, site.elevation_m), site.kind, words, used=site.used))
    return drawing(WIDTH, height, title, *parts)


def _spread(heights: np.ndarray, values: np.ndarray) -> list[tuple[float, float, float]]:
    """Return middle, 10th and 90th percentile by slices of elevation. Slices of few cells are left out."""
    if heights.size == 0:
        return []
    edges = np.linspace(heights.min(), heights.max() + 1e-6, 25)
    slot = np.digitize(heights, edges)
    spread = []
    for k in range(1, len(edges)):
        held = values[slot == k]
        if held.size >= LEAST_CELLS:
            low, high = np.percentile(held, (10, 90))
            spread.append(((edges[k - 1] + edges[k]) / 2, float(low), float(high)))
    return spread
