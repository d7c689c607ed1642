"""Heights that mean that nothing was measured, where neither the file nor the settings say so."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

STEP_M, STEP_OF_PIXEL = 100.0, 0.5
"""Neighbouring pixels whose heights differ by more than this, and than this part of a pixel's width, are an edge (chosen: 27 degrees on
average, and 100 m besides, is steeper than nearly all ground)."""

EDGED = 0.9
"""Share of the borders of a height that are edges where it is none: a lake lies as low as its shore, a summit is no edge all around."""

CODES = (0.0, -1.0, 1.0, 99.0, 999.0, 9999.0, -99.0, -999.0, -9999.0, 32767.0)
"""Numbers that programs write for no data (common practice, no source)."""

LEAST_EDGES, LEAST_CODE_EDGES = 40, 3
"""Edges that a height must have, and a usual code (chosen: a single pixel has four)."""

MOST_LOOKED_AT = 5
"""Heights of a window that are looked at, those with the most edges first: cost alone."""


@dataclass
class Steps:
    """What was seen of heights that stand by themselves, over the windows of a raster.

    Parameters
    ----------
    edges, borders : for a stored height, its borders that are edges, and all of them.
    """

    edges: Counter[float] = field(default_factory=Counter)
    borders: Counter[float] = field(default_factory=Counter)

    def see(self, stored: np.ndarray, scale_m: float, pixel_m: float) -> None:
        """Look at a window of a raster.

        Parameters
        ----------
        stored : stored heights, NaN for no data, (rows, columns).
        scale_m : metres of a stored unit.
        pixel_m : width of a pixel, m.
        """
        step = max(STEP_M, STEP_OF_PIXEL * pixel_m) / abs(scale_m)
        pairs = ((stored[:, 1:], stored[:, :-1]), (stored[1:], stored[:-1]))
        edges = [np.abs(one - other) > step for one, other in pairs]
        beside = [part[edge] for edge, pair in zip(edges, pairs, strict=True) for part in pair]
        heights, times = np.unique(np.concatenate(beside), return_counts=True)
        most = np.argsort(-times, kind="stable")[:MOST_LOOKED_AT]
        looked_at = np.union1d(most[times[most] >= LEAST_EDGES], np.flatnonzero(np.isin(heights, CODES)))
        for height, count in zip(heights[looked_at].tolist(), times[looked_at].tolist(), strict=True):
            self.edges[height] += count
            for one, other in pairs:
                border = ((one == height) != (other == height)) & np.isfinite(one) & np.isfinite(other)
                self.borders[height] += int(np.count_nonzero(border))

    def alone(self) -> tuple[float, ...]:
        """Return the stored heights that stand by themselves, sorted."""
        return tuple(
            sorted(
                height
                for height, edges in self.edges.items()
                if edges >= (LEAST_CODE_EDGES if height in CODES else LEAST_EDGES)
                and edges >= EDGED * self.borders[height]
            )
        )
