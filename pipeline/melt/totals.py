"""Melt by zone, band and day, with its error: the rows of `outlook.csv`."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.snow.snow_line import BARE_COVER
from snowtally.statistics.errors import MM_PER_M
from snowtally.statistics.totals import M2_PER_KM2, ZoneBands

COLUMNS = (
    "basin_id", "date", "level", "zone_id", "band_low_m", "band_high_m", "day", "potential_melt_mm", "potential_melt_m3",
    "potential_melt_se_m3", "melt_mm", "melt_se_mm", "melt_m3", "melt_se_m3", "new_snow_m3", "swe_left_m3", "snow_area_km2",
    "snow_area_se_km2", "melt_out_p10", "melt_out_p50", "melt_out_p90",
)  # fmt: skip


@dataclass(frozen=True)
class UnitSums:
    """Sums over the cells of each zone-band.

    Parameters
    ----------
    area : (unit,) m2; covered : (unit,) m2 under snow on the date; swe : (unit,) mm m2 on the date.
    potential, melt, left_covered, new_snow : (unit, day) mm m2; left_covered in m2 at the day's end.
    """

    area: np.ndarray
    covered: np.ndarray
    swe: np.ndarray
    potential: np.ndarray
    melt: np.ndarray
    left_covered: np.ndarray
    new_snow: np.ndarray


def outlook_rows(
    date: dt.date, units: ZoneBands, dates: pd.DatetimeIndex, central: UnitSums, members: np.ndarray
) -> pd.DataFrame:
    """Return the outlook day by day.

    Of the basin, its zones, its bands and its zone-bands.

    Parameters
    ----------
    members : (member, unit, day, 3) sums of potential melt and melt (mm m2) and ground covered (m2).

    Notes
    -----
    Volumes of zone-bands are rounded to 1 m3 before they are added, so that they add up exactly. SWE left is what there was
    and what is new less what melts.
    """
    zone, band = np.divmod(np.arange(units.count), max(len(units.bands), 1))
    held = central.area > 0
    parts: list[tuple[str, str, tuple[float, float] | None, np.ndarray]] = [("basin", "", None, held)]
    parts += [("zone", name, None, held & (zone == z)) for z, name in enumerate(units.zones)]
    parts += [("band", "", edges, held & (band == b)) for b, edges in enumerate(units.bands)]
    parts += [
        ("zone_band", units.zones[zone[k]], units.bands[band[k]], np.arange(units.count) == k)
        for k in np.flatnonzero(held)
    ]
    potential, melt, fallen = (
        np.round(values / MM_PER_M) for values in (central.potential, central.melt, central.new_snow)
    )
    # What is left is what was there less what is told to have gone, to the cubic metre, and no less than nothing.
    left = np.maximum(np.round(central.swe / MM_PER_M)[:, None] + np.cumsum(fallen - melt, axis=1), 0.0)
    frames = []
    for level, zone_id, edges, part in parts:
        if not part.any():
            continue
        area = central.area[part].sum()
        of_members = members[:, part].sum(axis=1)
        errors = of_members.std(axis=0, ddof=1)
        volume = melt[part].sum(axis=0)
        frames.append(
            pd.DataFrame(
                {
                    "basin_id": units.basin_id, "date": date, "level": level, "zone_id": zone_id,
                    "band_low_m": edges[0] if edges else np.nan, "band_high_m": edges[1] if edges else np.nan,
                    "day": dates.date,
                    "potential_melt_mm": central.potential[part].sum(axis=0) / area,
                    "potential_melt_m3": potential[part].sum(axis=0), "potential_melt_se_m3": errors[:, 0] / MM_PER_M,
                    "melt_mm": central.melt[part].sum(axis=0) / area, "melt_se_mm": errors[:, 1] / area,
                    "melt_m3": volume, "melt_se_m3": errors[:, 1] / MM_PER_M,
                    "new_snow_m3": fallen[part].sum(axis=0), "swe_left_m3": left[part].sum(axis=0),
                    "snow_area_km2": central.left_covered[part].sum(axis=0) / M2_PER_KM2,
                    "snow_area_se_km2": errors[:, 2] / M2_PER_KM2,
                }
                | _melt_out(date, dates, central.covered[part].sum() / area, of_members[..., 2] / area)
            )
        )  # fmt: skip
    return pd.concat(frames, ignore_index=True)[list(COLUMNS)]


def _melt_out(date: dt.date, dates: pd.DatetimeIndex, now: float, covered: np.ndarray) -> dict[str, dt.date | None]:
    """Return the melt-out dates of an area.

    By which a tenth, half and nine tenths of the members are melted out; None after the last day.

    Parameters
    ----------
    now : covered share on the date; an area that is bare then is melted out on the date itself.
    covered : (member, day) covered share at the end of each day.
    """
    names = ("melt_out_p10", "melt_out_p50", "melt_out_p90")
    if now < BARE_COVER:
        return dict.fromkeys(names, date)
    bare = covered < BARE_COVER
    first = np.where(bare.any(axis=1), bare.argmax(axis=1).astype(float), np.inf)
    reached = np.quantile(first, [0.1, 0.5, 0.9], method="inverted_cdf")
    return {
        name: dates[int(day)].date() if np.isfinite(day) else None for name, day in zip(names, reached, strict=True)
    }
