"""The archive's front page: all basins with their newest day, and a small map of their outlines."""

from __future__ import annotations

from contextlib import suppress
from pathlib import Path

import numpy as np
from markupsafe import Markup

from snowtally.model.problems import ArchiveError
from snowtally.report.axes import WIDTH
from snowtally.report.front import BasinNow, basin_now, basins, outline
from snowtally.report.labels import Labels
from snowtally.report.svg import drawing, path, tag
from snowtally.report.templating import page
from snowtally.report.units import UNITS, Units
from snowtally.report.words import short_date

FRONT_PAGE = "index.html"

SMALLEST = 4.0
"""Half a sign's width in units of the map: a basin that is smaller than that, on a map of basins far apart, has a dot besides."""


def front_page(root: str | Path) -> bytes:
    """Return the page of all basins of an archive. Raises ArchiveError without an archive."""
    shown = [basin_now(root, basin) for basin in basins(root)]
    return page(
        "front.html.j2", {"basins": shown, "u": units_of(shown), "map": _map(root, shown), "short_date": short_date}
    )


def units_of(shown: list[BasinNow]) -> Units:
    """Return the units that the basins share, metric where they differ."""
    names = {one.units for one in shown if one.date is not None}
    return UNITS[names.pop() if len(names) == 1 else "metric"]


def _map(root: str | Path, shown: list[BasinNow]) -> Markup | None:
    """Return the basins' outlines on one map, north up. None where none can be read."""
    rings: dict[str, list[np.ndarray]] = {}
    for one in shown:
        with suppress(ArchiveError, OSError, KeyError, ValueError):
            if one.date is not None:
                rings[one.title] = outline(root, one.basin, one.date)
    if not rings:
        return None
    points = np.concatenate([ring for of in rings.values() for ring in of])
    # A degree of longitude is so much shorter than one of latitude; basins on both sides of 180 degrees lie side by side.
    first, shorter = points[0, 0], float(np.cos(np.radians(points[:, 1].mean())))

    def flat(ring: np.ndarray) -> np.ndarray:
        return np.column_stack([((ring[:, 0] - first + 180) % 360 - 180) * shorter, -ring[:, 1]])

    drawn = flat(points)
    low, span = drawn.min(axis=0), np.ptp(drawn, axis=0)
    scale = (WIDTH - 120) / max(float(span.max()), 1e-9)
    height = float(span[1]) * scale + 60
    labels = Labels((0.0, 0.0, WIDTH, height))
    labels.size = 12.0
    shapes, names = [], []
    for name, of in rings.items():
        placed = [(flat(ring) - low) * scale + (60, 30) for ring in of]
        every = np.concatenate(placed)
        middle = (every.min(axis=0) + every.max(axis=0)) / 2
        outlines = " ".join(path([(float(x), float(y)) for x, y in ring], closed=True) for ring in placed)
        shapes.append(tag("path", tag("title", name), d=outlines, class_="basin"))
        if np.ptp(every, axis=0).max() < 2 * SMALLEST:
            shapes.append(
                tag("circle", tag("title", name), cx=float(middle[0]), cy=float(middle[1]), r=SMALLEST, class_="dot")
            )
            labels.take(float(middle[0]), float(middle[1]), SMALLEST)
        names.append((name, float(middle[0]), float(middle[1])))
    written = [labels.beside(*one) for one in names]
    return drawing(WIDTH, height, "Outlines of the basins, north up", *shapes, *written, kind="chart outlines")
