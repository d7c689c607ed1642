"""The units of air, precipitation, sun, heights of sites and errors.

By what each of them can be.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from snowtally.inputs.units import conversion
from snowtally.proposals.cells import CODES
from snowtally.proposals.seen_columns import SeenColumn
from snowtally.proposals.unit_readings import (
    ENERGIES,
    TEMPERATURES,
    Surveyed,
    UnitReading,
    factor,
    reading,
    stated_unit,
    usual,
)


def fits_air(these: Surveyed, column: SeenColumn) -> bool:
    """Return whether a column would be air temperatures in degrees Celsius."""
    return _air_fits(these, column.cells.numbers, "degC")


def air_units(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the units of air temperatures: by what winters and summers are."""
    readings = {}
    for key in ("air_temperature", "air_temperature_min", "air_temperature_max"):
        cells = these.cells(key)
        if cells is None or not len(cells.known):
            continue
        stated = stated_unit(these, key)
        fitting = [unit for unit in TEMPERATURES if _air_fits(these, cells.numbers, unit)]
        evidence = f"{cells.shown_range()} {_season_words(these)}".strip()
        usable = [unit for unit in fitting if stated in (None, unit)]
        readings[key] = reading(these, key, usable, stated, evidence, fitting)
    return readings


def _season_words(these: Surveyed) -> str:
    if these.days is None or np.isnat(these.days).all():
        return ""
    known = these.days[~np.isnat(these.days)]
    return f"from {known.min()} to {known.max()}"


WINTER_C, SUMMER_C, ANY_C = (-32.0, 8.0), (-4.0, 28.0), (-25.0, 24.0)
"""Median air temperature in midwinter (December to February, or June to August), in midsummer, and of any other days, at places
with snow courses, degrees Celsius. Degrees Fahrenheit taken for Celsius have a summer of 40 to 70 (common practice)."""

EXTREMES_C = (-62.0, 48.0)
"""No hundredth of a series lies beyond these, degrees Celsius; the coldest and the hottest mountain stations."""


def _air_fits(these: Surveyed, numbers: np.ndarray, unit: str) -> bool:
    celsius = conversion(unit, "degC").of(np.where(np.isin(np.abs(numbers), CODES), np.nan, numbers))
    if np.isnan(celsius).all():
        return True
    low, high = np.nanquantile(celsius, [0.02, 0.98])
    if low < EXTREMES_C[0] or high > EXTREMES_C[1]:
        return False
    if not ANY_C[0] <= float(np.nanmedian(celsius)) <= ANY_C[1]:
        return False
    if these.days is not None and not any(
        _air_of_seasons(celsius, these.days, is_south=south) for south in these.hemispheres
    ):
        return False
    # A winter that never nears the melting point, from its first day to its last, is another unit.
    return bool(high > COLDEST_HIGH_C)


def _air_of_seasons(celsius: np.ndarray, days: np.ndarray, *, is_south: bool) -> bool:
    """Return whether temperatures are those of their seasons in a hemisphere."""
    month = np.where(np.isnat(days), -1, days.astype("datetime64[M]").astype(int) % 12 + 1)
    for months, (least, most) in (((12, 1, 2), WINTER_C), ((6, 7, 8), SUMMER_C)):
        of_season = (np.array(months) + 5) % 12 + 1 if is_south else months
        part = celsius[np.isin(month, of_season)]
        if np.isfinite(part).sum() >= LEAST_SEASON and not least <= float(np.nanmedian(part)) <= most:
            return False
    return True


LEAST_SEASON = 20
"""Readings from which the median of a part of the year tells the unit."""

COLDEST_HIGH_C = -8.0
"""The warmest fiftieth of a series reaches this at least, degrees Celsius; -8 degC is 18 degF, which a winter in degF exceeds."""


def precipitation_units(these: Surveyed, before: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the units of precipitation, totals by the snow beside them too."""
    readings = {}
    swe = these.cells("swe")
    for key, limits in (("precipitation", DAY_MM), ("precipitation_total", TOTAL_MM)):
        cells = these.cells(key)
        if cells is None or not len(cells.known):
            continue
        stated = stated_unit(these, key)
        known = usual(cells.numbers)
        high = float(np.nanquantile(known, 0.995)) if np.isfinite(known).any() else 0.0
        units = ["mm", "cm", "inch", "m"] if stated is None else list(dict.fromkeys(["mm", "cm", "inch", "m", stated]))
        fitting = [unit for unit in units if high == 0.0 or limits[0] <= high * factor(unit, "mm") <= limits[1]]
        evidence = cells.shown_range()
        if (
            key == "precipitation_total"
            and swe is not None
            and "swe" in before
            and before["swe"].fits
            and not before["swe"].others
        ):
            most = float(np.nanmax(usual(swe.numbers), initial=0.0)) * factor(before["swe"].unit, "mm")
            if most > 0 and high > 0:
                fitting = [u for u in fitting if OVER_SWE[0] <= high * factor(u, "mm") / most <= OVER_SWE[1]]
                evidence += f", SWE up to {most:.0f} mm"
        readings[key] = reading(these, key, fitting, stated, evidence, fitting)
    return readings


DAY_MM, TOTAL_MM = (3.0, 300.0), (60.0, 12_000.0)
"""The heaviest falls of a table of days or hours, and the end of a season's total, mm (common practice, no source)."""

OVER_SWE = (0.45, 9.0)
"""A season's precipitation over the most SWE of its stations: gauges miss half of the snow at the worst, and in dry lowlands most
of a year's water falls as rain (common practice, no source). Millimetres and inches are further apart (25.4)."""


def solar_unit(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the unit of the sun's energy: by that above the air."""
    cells = these.cells("solar")
    if cells is None or not len(cells.known):
        return {}
    latitude = LIKELY_LATITUDE if these.hint is None else (these.hint.south + these.hint.north) / 2
    fitting = list(ENERGIES)
    if these.days is not None and (~np.isnat(these.days)).any():
        known = ~np.isnat(these.days) & np.isfinite(cells.numbers)
        above = above_air_mj(these.days[known], latitude)
        for unit in ENERGIES:
            share = float(np.quantile(cells.numbers[known] * factor(unit, "MJ/m**2") / above, 0.9))
            if not CLEAR_SHARE[0] <= share <= CLEAR_SHARE[1]:
                fitting.remove(unit)
    return {"solar": reading(these, "solar", fitting, stated_unit(these, "solar"), cells.shown_range(), fitting)}


LIKELY_LATITUDE = 45.0
"""Degrees, where nothing tells the basin's: the sun above the air differs by a third from 35 to 55 degrees in spring."""

CLEAR_SHARE = (0.4, 1.0)
"""Sun of a table's clearest days over that above the air: 0.75 under a clear sky (Allen et al. 1998, FAO 56, equation 37), less
where the horizon is near; the units are 3.6 times apart and more."""


def above_air_mj(days: np.ndarray, latitude: float) -> np.ndarray:
    """Return the sun's energy above the air on some days, MJ/m2 (Allen et al. 1998, FAO 56, equations 21 to 25)."""
    of_year = (days - days.astype("datetime64[Y]")).astype(int) + 1
    distance = 1.0 + 0.033 * np.cos(2.0 * np.pi * of_year / 365.0)
    declination = 0.409 * np.sin(2.0 * np.pi * of_year / 365.0 - 1.39)
    lat = np.radians(latitude)
    sunset = np.arccos(np.clip(-np.tan(lat) * np.tan(declination), -1.0, 1.0))
    height = sunset * np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.sin(sunset)
    return np.maximum(24.0 * 60.0 / np.pi * 0.0820 * distance * height, 0.1)


def elevation_unit(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the unit of sites' heights: by the terrain there."""
    cells = these.cells("elevation")
    if cells is None or not len(cells.known):
        return {}
    stated, hint = stated_unit(these, "elevation"), these.hint
    fitting, evidence = ["m", "foot"], cells.shown_range()
    ground = _ground(these)
    if ground is not None:
        off = {u: float(np.nanmedian(np.abs(cells.numbers * factor(u, "m") - ground))) for u in fitting}
        fitting = [unit for unit in fitting if off[unit] <= OFF_TERRAIN_M]
        evidence += f", terrain there {np.nanmin(ground):.0f} to {np.nanmax(ground):.0f} m"
    elif hint is not None and np.isfinite(hint.lowest_m):
        # Half of the sites stand within the basin's heights, whatever the others do.
        middle = float(np.median(cells.known))
        fitting = [u for u in fitting if hint.lowest_m - SLACK_M <= middle * factor(u, "m") <= hint.highest_m + SLACK_M]
        evidence += f", terrain {hint.lowest_m:.0f} to {hint.highest_m:.0f} m"
    else:
        fitting = [u for u in fitting if float(np.median(cells.known)) * factor(u, "m") <= HIGHEST_SITE_M]
    return {"elevation": reading(these, "elevation", fitting, stated, evidence, fitting)}


OFF_TERRAIN_M, SLACK_M, HIGHEST_SITE_M = 250.0, 300.0, 5500.0
"""Half of the stated heights lie so near to the terrain's, the basin's heights reach so far beyond a raster's, and no course
lies higher, m (common practice, no source)."""


def _ground(these: Surveyed) -> np.ndarray | None:
    """Return the terrain's heights at a table's coordinates in degrees.

    None where nothing tells them.
    """
    lon, lat = these.cells("longitude"), these.cells("latitude")
    if these.hint is None or these.hint.heights is None or lon is None or lat is None:
        return None
    heights = np.asarray(these.hint.heights(lon.numbers, lat.numbers), float)
    return heights if np.isfinite(heights).any() else None


def error_unit(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the unit of the standard error of depth."""
    cells = these.cells("depth_se")
    if cells is None or not len(cells.known):
        return {}
    middle = float(np.median(cells.known))
    fitting = [unit for unit in ("m", "cm", "mm") if ERROR_M[0] <= middle * factor(unit, "m") <= ERROR_M[1]]
    stated = stated_unit(these, "depth_se")
    return {"depth_se": reading(these, "depth_se", [stated] if stated else fitting, stated, cells.shown_range())}


ERROR_M = (0.015, 0.5)
"""Standard error of depth by laser, m (published errors of 0.05 to 0.25 m; common practice)."""
