"""Totals of a day by zone and elevation band, with their errors: the rows of `totals.csv`.

Everything is summed once, for each zone within each band; bands, zones and the basin are sums of those sums, so that volumes
add up. Means are over the whole area, bare ground counted. A zone-band where a cell lacks its value has no total, and
neither has what holds it: a sum over the cells that happen to be known would pass for less snow.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.statistics.errors import MM_PER_M
from snowtally.statistics.intervals import censored_quantile

M2_PER_KM2 = MM_PER_M * MM_PER_M
"""Square metres in a square kilometre."""


@dataclass(frozen=True)
class ZoneBands:
    """The zones and bands that totals are made for.

    Parameters
    ----------
    basin_id : the basin's identifier.
    zones : zone_id of zone 1, 2 ...
    bands : (low, high) edges of band 1, 2 ... in m.

    A zone-band has the number (zone - 1) * bands + (band - 1).

    Examples
    --------
    >>> units = ZoneBands("larkmoor", ["north", "south"], [(1800.0, 2000.0), (2000.0, 2200.0)])
    >>> units.numbers(np.array([1, 2, 0]), np.array([1, 2, 0]))
    array([ 0,  3, -1])
    """

    basin_id: str
    zones: list[str]
    bands: list[tuple[float, float]]

    @property
    def count(self) -> int:
        """Number of zone-bands, with those that have no area."""
        return len(self.zones) * len(self.bands)

    def of_zone(self, zone_id: str) -> slice:
        """Return the numbers of a zone's zone-bands."""
        first = self.zones.index(zone_id) * len(self.bands)
        return slice(first, first + len(self.bands))

    def numbers(self, zone: np.ndarray, band: np.ndarray) -> np.ndarray:
        """Return the number of each cell's zone-band.

        -1 outside the basin, where zone or band is missing or 0; any shape.
        """
        zone, band = (np.nan_to_num(np.asarray(a, float)).astype(int) for a in (zone, band))
        return np.where((zone > 0) & (band > 0), (zone - 1) * len(self.bands) + band - 1, -1)


def totals_rows(fields: xr.Dataset, units: ZoneBands, covariance: np.ndarray, date: dt.date) -> pd.DataFrame:
    """Return the totals of a day.

    The basin, its zones, its bands and its zone-bands, in this order.

    Parameters
    ----------
    fields : on (y, x): swe (mm), depth (m), snow_cover (1), zone and elevation_band (numbers from 1, 0 outside), cell_area (m2).
    units : zones and bands behind the numbers.
    covariance : (zone-bands, zone-bands) covariance of the volumes' errors, m6.
    date : the day.
    """
    number = units.numbers(fields["zone"].to_numpy(), fields["elevation_band"].to_numpy())
    sums = _Sums.of(fields, number, units.count)
    zone, band = np.divmod(np.arange(units.count), max(len(units.bands), 1))
    held = sums.area > 0
    rows: list[tuple[str, str, tuple[float, float] | None, np.ndarray]] = [("basin", "", None, held)]
    rows += [("zone", name, None, held & (zone == z)) for z, name in enumerate(units.zones)]
    rows += [("band", "", edges, held & (band == b)) for b, edges in enumerate(units.bands)]
    rows += [
        ("zone_band", units.zones[zone[k]], units.bands[band[k]], np.arange(units.count) == k)
        for k in np.flatnonzero(held)
    ]
    table = [
        {"basin_id": units.basin_id, "date": date, "level": level, "zone_id": zone_id}
        | _edges(edges)
        | sums.row(part, covariance)
        for level, zone_id, edges, part in rows
        if part.any()
    ]
    return pd.DataFrame(table)


def covariance_rows(fields: xr.Dataset, units: ZoneBands, covariance: np.ndarray) -> pd.DataFrame:
    """Return the covariance of the zone-bands' volumes.

    A row for each ordered pair that has area.
    """
    number = units.numbers(fields["zone"].to_numpy(), fields["elevation_band"].to_numpy())
    held = np.flatnonzero(_area(fields, number, units.count) > 0)
    zone, band = np.divmod(held, max(len(units.bands), 1))
    names = np.array(units.zones, object)[zone]
    low = np.array([edges[0] for edges in units.bands], float)[band]
    first, second = (index.ravel() for index in np.indices((len(held), len(held))))
    return pd.DataFrame(
        {
            "zone_id": names[first],
            "band_low_m": low[first],
            "zone_id_2": names[second],
            "band_low_m_2": low[second],
            "covariance_m6": covariance[np.ix_(held, held)].ravel(),
        }
    )


@dataclass(frozen=True)
class _Sums:
    """Sums by zone-band.

    Area (m2), snow-covered area (m2), SWE volume (m3) and snow volume (m3).
    """

    area: np.ndarray
    snow_area: np.ndarray
    volume: np.ndarray
    depth_volume: np.ndarray

    @classmethod
    def of(cls, fields: xr.Dataset, number: np.ndarray, count: int) -> _Sums:
        inside = number >= 0
        area, group = fields["cell_area"].to_numpy()[inside], number[inside]

        def total(name: str, scale: float) -> np.ndarray:
            # A missing value is carried into the sum; only a cell without area may lack one.
            values = np.where(area > 0, fields[name].to_numpy()[inside] * area, 0.0)
            return np.bincount(group, values, count) / scale

        return cls(_area(fields, number, count), total("snow_cover", 1.0), total("swe", MM_PER_M), total("depth", 1.0))

    def row(self, part: np.ndarray, covariance: np.ndarray) -> dict[str, float]:
        """Return the numbers of one row: the zone-bands of `part` together."""
        # fsum: the same to the last bit in whatever order zone-bands are added, so that levels agree.
        area, snow_area, volume, depth_volume = (
            math.fsum(values[part]) for values in (self.area, self.snow_area, self.volume, self.depth_volume)
        )
        # Volumes are told to a cubic metre: what is none by that has no density.
        dense = np.rint(volume) > 0 and depth_volume > 0
        se = math.sqrt(max(math.fsum(covariance[np.ix_(part, part)].ravel()), 0.0))
        low, high = (float(censored_quantile(volume, se, p)) for p in (0.1, 0.9))
        return {
            "area_km2": area / M2_PER_KM2,
            "snow_area_km2": snow_area / M2_PER_KM2,
            "swe_mean_mm": MM_PER_M * volume / area,
            "swe_se_mm": MM_PER_M * se / area,
            "volume_m3": volume,
            "volume_se_m3": se,
            "volume_p10_m3": low,
            "volume_p90_m3": high,
            "depth_mean_m": depth_volume / area,
            "density_mean_kg_m3": MM_PER_M * volume / depth_volume if dense else math.nan,
        }


def _area(fields: xr.Dataset, number: np.ndarray, count: int) -> np.ndarray:
    inside = number >= 0
    return np.bincount(number[inside], np.nan_to_num(fields["cell_area"].to_numpy()[inside]), count)


def _edges(edges: tuple[float, float] | None) -> dict[str, float]:
    low, high = edges if edges is not None else (math.nan, math.nan)
    return {"band_low_m": low, "band_high_m": high}
