"""A basin on its grid: what every stage of a night needs to know where it is."""

from __future__ import annotations

from dataclasses import dataclass, field

import xarray as xr

from snowtally.model.grid import BasinGrid


@dataclass(frozen=True)
class Basin:
    """A basin's grid and what is fixed on it.

    Parameters
    ----------
    grid : the grid with its margin.
    terrain : on (y, x) of the grid elevation (m), canopy (1), cell_area (m2), zone, band (1..n, 0 outside), convergence (degrees);
        attribute `bands` holds the bands' edges.
    zones : identifier and name of each zone, in the order of their numbers.
    """

    grid: BasinGrid
    terrain: xr.Dataset
    zones: list[tuple[str, str]] = field(default_factory=list)

    @property
    def zone_ids(self) -> list[str]:
        """Identifiers of the zones, in the order of their numbers."""
        return [zone_id for zone_id, _ in self.zones]

    @property
    def bands(self) -> list[tuple[float, float]]:
        """Lower and upper edge of each elevation band, m."""
        return self.terrain.attrs["bands"]

    @property
    def southern(self) -> bool:
        """Whether the basin lies south of the equator."""
        return self.grid.southern
