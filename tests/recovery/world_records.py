"""What is kept of a made season's snow: maps on some days, the sites and their cells on all."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
from world_places import FINE, Points


def cell_blocks(points: Points) -> np.ndarray:
    """Return the numbers of the pixels of each site's cell, (sites, pixels of a cell)."""
    columns = points.shape[1]
    row, column = np.divmod(points.site_pixels, columns)
    down, along = np.divmod(np.arange(FINE**2), FINE)
    return ((row // FINE * FINE)[:, None] + down) * columns + (column // FINE * FINE)[:, None] + along


@dataclass
class SnowRecord:
    """A season's true snow.

    Attributes
    ----------
    swe, depth : maps on pixels by number of the day, mm and m, at noon.
    sites : by name a list of (sites,) by day: swe, depth, air, fall, cell_swe, cell_depth.
    gained, lost, at_end : mm that each point gained and lost by the season's end, and what then lies, for the balance.
    moved : mm that wind and slides laid down and took away on all pixels, by what moved it.
    """

    points: Points
    wanted: Collection[int]
    swe: dict[int, np.ndarray] = field(default_factory=dict)
    depth: dict[int, np.ndarray] = field(default_factory=dict)
    sites: dict[str, list[np.ndarray]] = field(default_factory=dict)
    gained: np.ndarray = field(default_factory=lambda: np.zeros(0))
    lost: np.ndarray = field(default_factory=lambda: np.zeros(0))
    at_end: np.ndarray = field(default_factory=lambda: np.zeros(0))
    moved: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Look up the sites' cells and begin the balance."""
        count = len(self.points.elevation)
        self.gained, self.lost = np.zeros(count), np.zeros(count)
        self._blocks = cell_blocks(self.points) if self.points.pixels else None

    def keep(self, day: int, swe: np.ndarray, depth: np.ndarray, air: np.ndarray, fall: np.ndarray) -> None:
        """Keep a day: SWE, depth, mean air temperature and precipitation of all points."""
        n = self.points.pixels
        values = {"swe": swe[n:], "depth": depth[n:], "air": air[n:], "fall": fall[n:]}
        if self._blocks is not None:
            values |= {"cell_swe": swe[self._blocks].mean(axis=1), "cell_depth": depth[self._blocks].mean(axis=1)}
        for name, value in values.items():
            self.sites.setdefault(name, []).append(np.asarray(value, float))
        if day in self.wanted:
            self.swe[day] = swe[:n].reshape(self.points.shape).astype(np.float32)
            self.depth[day] = depth[:n].reshape(self.points.shape).astype(np.float32)

    def of_sites(self, name: str) -> np.ndarray:
        """Return a series of the sites, (days, sites)."""
        return np.stack(self.sites[name])
