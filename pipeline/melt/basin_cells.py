"""The basin's cells as the march wants them: their snow, how they lie to the sun, and how ripe and bright their snow is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.melt.energy import CLOSED_CANOPY, DIFFUSE, SOLAR
from snowtally.melt.march import CELL_COLUMNS, Cells, depletion
from snowtally.melt.ripening import Ripeness
from snowtally.melt.weather import DailyWeather, Sky
from snowtally.model.basin import Basin
from snowtally.model.day import Day
from snowtally.snow.melting import CELL_VARIATION
from snowtally.terrain.horizon import horizons, sky_view
from snowtally.terrain.predictors import horn_gradient
from snowtally.terrain.sun import SunPath, beam_factor, path_dates, slope_normals

FRESH_DENSITY = 300.0
"""Density of snow where the map has none, kg/m3: only the depth that hides the ground hangs on it (common practice, no source)."""


@dataclass(frozen=True)
class Ground:
    """The basin's cells: where they lie and what ground they are.

    Parameters
    ----------
    inside : (y, x) of the day's grid, whether a cell is of the basin; all else is of these cells in their order, (n,).
    number : of the cell in the grid with its margin.
    area_m2, elevation_m, canopy : of the cell; canopy is a share.
    rise : (2, n) of the ground to the east and south, m/m.
    horizon : (bearing, all cells of the grid with its margin), radians.
    """

    inside: np.ndarray
    number: np.ndarray
    area_m2: np.ndarray
    elevation_m: np.ndarray
    canopy: np.ndarray
    rise: np.ndarray
    horizon: np.ndarray

    @classmethod
    def of(cls, day: Day, basin: Basin) -> Ground:
        """Return the ground of a day's cells."""
        area = day.fields["cell_area"].to_numpy()
        inside = np.isfinite(area) & (area > 0)
        window = basin.grid.window(basin.terrain["cell_area"].to_numpy() > 0)[1]
        at = np.arange(np.prod(basin.grid.shape)).reshape(basin.grid.shape)[window][inside]
        elevation = basin.terrain["elevation"].to_numpy()
        rise = np.stack([one.ravel()[at] for one in horn_gradient(elevation, basin.grid.cell_m)])
        canopy = basin.terrain["canopy"].to_numpy().ravel()[at]
        view = horizons(elevation, basin.grid.cell_m)
        return cls(inside, at, area[inside], elevation.ravel()[at], canopy, rise, view.reshape(len(view), -1))

    def sky_view_of_sites(self, sites: pd.DataFrame, width: int) -> pd.Series:
        """Return the share of diffuse sun received at sites, taken as level, by site_id. `width` is that of the grid."""
        at = sites["row"].to_numpy(int) * width + sites["column"].to_numpy(int)
        level = np.tile([0.0, 0.0, 1.0], (len(sites), 1))
        return pd.Series(sky_view(self.horizon[:, at], level), index=sites.index)


@dataclass(frozen=True)
class ForecastSun:
    """The sun of the forecast days: its paths on a few of them, each day's place among these, and its diffuse share."""

    paths: list[SunPath]
    at: np.ndarray
    diffuse: float

    @classmethod
    def of(cls, forecast: DailyWeather, sky: Sky) -> ForecastSun:
        """Return the sun of forecast days."""
        nodes, at = path_dates(forecast.dates)
        diffuse = np.average(forecast.rows[:, DIFFUSE], weights=forecast.rows[:, SOLAR] + 1e-9)
        return cls([sky.path(date) for date in nodes], at, float(diffuse))


@dataclass(frozen=True)
class BasinCells:
    """All cells of the basin, of which some are made at a time.

    Parameters
    ----------
    snow : by name the date's `swe` and `swe_se` (mm), `snow_cover` and `density` (kg/m3), (n,) each, 0 where there is none.
    seen : albedo that a grid saw, missing where none did, and how many days ago, (2, n); None where there is no grid.
    ripe : what the past days left of cold and albedo.
    """

    ground: Ground
    snow: dict[str, np.ndarray]
    seen: np.ndarray | None
    sun: ForecastSun
    ripe: Ripeness

    def of(self, picked: np.ndarray) -> Cells:
        """Return cells as the march wants them, by their numbers (n,).

        Albedo and cold content are what the past days left.
        """
        ground, snow, sun = self.ground, self.snow, self.sun
        normals = slope_normals(*ground.rise[:, picked])
        horizon = ground.horizon[:, ground.number[picked]]
        view, canopy, elevation = sky_view(horizon, normals), ground.canopy[picked], ground.elevation_m[picked]
        beams = np.column_stack([beam_factor(normals, horizon, path) for path in sun.paths])
        swe, cover, density = (snow[name][picked] for name in ("swe", "snow_cover", "density"))
        lit = ((1.0 - sun.diffuse) * beams[:, 0] + sun.diffuse * view) * (1.0 - CLOSED_CANOPY.sun * canopy)
        within = np.divide(swe, cover, out=np.zeros(len(swe)), where=cover > 0)
        state = np.empty((len(swe), CELL_COLUMNS))
        columns = (
            elevation, canopy, view, swe, cover, np.where(density > 0, density, FRESH_DENSITY),
            *self.ripe.at(elevation, lit, within, None if self.seen is None else self.seen[:, picked]),
        )  # fmt: skip
        for number, values in enumerate(columns):
            state[:, number] = values
        # No snow is neither cold nor dry.
        state[swe <= 0, 7:] = 0.0
        return Cells(state, beams, sun.at, depletion(CELL_VARIATION))
