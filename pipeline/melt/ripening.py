"""How cold and how bright the snow is on the day of the outlook, from the days before: by elevation, sun and SWE."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import map_coordinates

from snowtally.melt.albedo import AGEING
from snowtally.melt.energy import (
    COLD_MM_PER_MM_K,
    COLDEST_C,
    DIFFUSE,
    HELD_WATER,
    TEMPERATURE,
    KnownSnow,
    SnowState,
    march_known,
)
from snowtally.melt.weather import DailyWeather
from snowtally.snow.carry import NODE_M
from snowtally.snow.sturm import MIDDLING_KG_M3

SUN_NODES = np.array([0.1, 0.4, 0.7, 1.0, 1.3, 1.6])
"""Sun that reaches the snow over that on open level ground: deep woods to slopes that face the sun. Accuracy
and cost alone."""

SWE_NODES = np.array([5.0, 30.0, 100.0, 300.0, 1000.0])
"""SWE for which cold content is reckoned, mm: it grows with what there is to cool. Accuracy and cost alone."""


@dataclass(frozen=True)
class Ripeness:
    """Cold content and albedo of snow on a day.

    On nodes of elevation (m), sun (1) and SWE (mm).

    Parameters
    ----------
    elevations : rising nodes.
    cold_mm, dry_mm : (elevation, sun, swe) cold content in mm of melt, and water that the snow can still hold, mm.
    albedo : (elevation, sun, swe).
    remaining : (elevation, sun, swe, day) share of a deviation of the albedo on a day's end that is left on the last.
    """

    elevations: np.ndarray
    cold_mm: np.ndarray
    dry_mm: np.ndarray
    albedo: np.ndarray
    remaining: np.ndarray
    _albedos: np.ndarray

    def at(
        self,
        elevation_m: np.ndarray,
        sun: np.ndarray,
        swe_mm: np.ndarray,
        seen: np.ndarray | None = None,
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return albedo, cold content and free pores of cells.

        Cold content and the water that the snow can still hold are in mm.

        Parameters
        ----------
        seen : albedo that a grid saw, missing where none did, and how many days ago, (2, n): what it differed by then is carried on.

        Notes
        -----
        Beyond the thickest node cold content and water grow with SWE.
        """
        albedo, cold, dry = self._at((self.albedo, self.cold_mm, self.dry_mm), elevation_m, sun, swe_mm)
        beyond = np.maximum(swe_mm / SWE_NODES[-1], 1.0)
        if seen is not None:
            albedo = self._as_seen(albedo, (elevation_m, sun, swe_mm), seen)
        return albedo, beyond * cold, beyond * dry

    def _as_seen(self, albedo: np.ndarray, cells: tuple[np.ndarray, ...], seen: np.ndarray) -> np.ndarray:
        """Return the albedo corrected by what a grid saw."""
        values, ages = seen
        days = self.remaining.shape[-1]
        for age in np.unique(ages[np.isfinite(values)]).astype(int):
            chosen = np.isfinite(values) & (ages == age) & (age < days)
            fields = (field[..., days - 1 - age] for field in (self._albedos, self.remaining))
            then, left = self._at(tuple(fields), *(one[chosen] for one in cells))
            albedo[chosen] += (values[chosen] - then) * left
        return np.clip(albedo, 0.0, 1.0)

    def _at(
        self, fields: tuple[np.ndarray, ...], elevation_m: np.ndarray, sun: np.ndarray, swe_mm: np.ndarray
    ) -> np.ndarray:
        """Return fields on the nodes at places, (field, n)."""
        nodes = self.elevations, SUN_NODES, np.log(SWE_NODES)
        values = elevation_m, sun, np.log(np.maximum(swe_mm, SWE_NODES[0]))
        at = np.stack([np.interp(value, node, np.arange(len(node))) for value, node in zip(values, nodes, strict=True)])
        return np.stack([map_coordinates(field, at, order=1, mode="nearest") for field in fields])


def ripeness(past: DailyWeather, lowest_m: float, highest_m: float, tuned: np.ndarray) -> Ripeness:
    """Return the ripeness of snow after the past days.

    Energy is tuned as `day_energy` has it.
    """
    count = max(2, int(np.ceil((highest_m - lowest_m) / NODE_M)) + 1)
    elevations = np.linspace(lowest_m, max(highest_m, lowest_m + 1.0), count)
    grid = np.meshgrid(elevations, SUN_NODES, SWE_NODES, indexing="ij")
    z, sun, swe = (axis.ravel() for axis in grid)
    days = len(past.rows)
    cells = np.column_stack([z, np.zeros((len(z), 1)), np.ones((len(z), 1))])
    # The factor stands for the diffuse part as well: every part of the sun times the same.
    lit = past.rows.copy()
    lit[:, DIFFUSE] = 0.0
    before = past.rows[0, TEMPERATURE] + past.lapse_k_per_km * (z - past.height_m) / 1000.0
    cold = COLD_MM_PER_MM_K * swe * np.clip(-before, 0.0, -COLDEST_C) / 2.0
    snow = KnownSnow(
        cells,
        np.repeat(sun[:, None], days, axis=1),
        np.repeat(swe[:, None], days, axis=1),
        np.full(len(z), MIDDLING_KG_M3),
        np.column_stack([cold, np.full(len(z), AGEING.fresh), HELD_WATER * swe]),
    )
    out = SnowState.room(len(z), days)
    march_known(snow, lit, np.array([past.lapse_k_per_km, past.height_m, *tuned]), out)
    # What is left on the last day of a deviation on day d: the shares of all days after d.
    after = np.ones((len(z), days))
    after[:, :-1] = np.cumprod(out.keeps[:, :0:-1], axis=1)[:, ::-1]
    form = grid[0].shape
    cold_mm, dry_mm, albedo = (field[:, -1].reshape(form) for field in (out.cold, out.dry, out.albedo))
    return Ripeness(elevations, cold_mm, dry_mm, albedo, after.reshape(*form, days), out.albedo.reshape(*form, days))
