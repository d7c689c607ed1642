"""The units of a table's columns: by their headers, and by what snow, air and rain can be; a contradiction is a question."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from snowtally.inputs.columns import Table
from snowtally.inputs.units import conversion
from snowtally.proposals.cells import CODES, Cells
from snowtally.proposals.proposal import BasinHint
from snowtally.proposals.table_columns import SeenColumn
from snowtally.proposals.units_known import AREA, ENERGY, LENGTH, MASS, TEMPERATURE, WATER

LENGTHS = ("cm", "mm", "m", "inch", "foot")
MASSES = ("g", "kg", "ounce", "pound")
CUTTERS = ("cm**2", "mm**2", "inch**2", "cm", "mm", "inch")
TEMPERATURES = ("degC", "degF", "kelvin")
ENERGIES = ("MJ/m**2", "W*day/m**2", "kW*hour/m**2", "J/cm**2")
"""Units that tables of the trade are written in, the canonical one first. A cutter's length is its diameter."""

MEASURES = {
    "depth": (LENGTH,),
    "core": (LENGTH,),
    "swe": (LENGTH, WATER),
    "mass_full": (MASS,),
    "mass_empty": (MASS,),
    "cutter": (AREA, LENGTH),
    "air_temperature": (TEMPERATURE,),
    "air_temperature_min": (TEMPERATURE,),
    "air_temperature_max": (TEMPERATURE,),
    "precipitation": (LENGTH, WATER),
    "precipitation_total": (LENGTH, WATER),
    "solar": (ENERGY,),
    "elevation": (LENGTH,),
    "depth_se": (LENGTH,),
}
"""What the unit of a key may measure."""


UNKNOWN = "?"
"""Stands among the other units where none is known that fits."""


@dataclass(frozen=True)
class UnitReading:
    """The unit of a column, with the evidence.

    Parameters
    ----------
    unit : as pint spells it.
    evidence : in plain words.
    others : units that the evidence does not exclude.
    is_stated : whether the file says the unit.
    """

    unit: str
    evidence: str
    others: tuple[str, ...] = ()
    is_stated: bool = False


@dataclass(frozen=True)
class Surveyed:
    """The columns of a table whose units are asked for.

    Parameters
    ----------
    columns : by canonical key.
    table : the canonical columns.
    days : day of each row, datetime64[D], NaT where unknown; None where the table has no days.
    hint : where the basin lies.
    said : units that lines above the header, the file's name or its other headers name.
    """

    columns: Mapping[str, SeenColumn]
    table: Table
    days: np.ndarray | None
    hint: BasinHint | None
    said: frozenset[str]

    @property
    def hemispheres(self) -> tuple[bool, ...]:
        """Whether the basin lies in the south; both where nothing tells it."""
        return (False, True) if self.hint is None else (self.hint.north + self.hint.south < 0.0,)

    def cells(self, key: str) -> Cells | None:
        """Return a key's fields, None where there is no such column."""
        return self.columns[key].cells if key in self.columns else None


def unit_readings(these: Surveyed) -> dict[str, UnitReading]:
    """Return the unit of each column that has one."""
    readings: dict[str, UnitReading] = {}
    for read in (
        _snow_units,
        _weighing_units,
        _air_units,
        _precipitation_units,
        _solar_unit,
        _elevation_unit,
        _error_unit,
    ):
        readings |= read(these, readings)
    return readings


def _stated(these: Surveyed, key: str) -> str | None:
    """Return the unit that a column's header or units line says."""
    column = these.columns.get(key)
    if column is None or column.unit is None or column.unit.measures not in MEASURES[key]:
        return None
    return column.unit.name


def _factor(unit: str, to: str) -> float:
    return float(conversion(unit, to).of(1.0) - conversion(unit, to).of(0.0))


# ------------------------------------------------------------------------------------------------------------- snow

DEPTHS_M = (0.05, 9.0)
SWES_MM = (8.0, 3500.0)
"""The deep end (95 % quantile) of a table's snow lies in these: less is no season of a basin that is watched, and more lies on
hardly any course on earth (common practice, no source)."""

SEASON_RATIO = (0.63, 1.55)
"""Median density of a table over what is usual on its days; centimetres and inches are further apart (2.54) than the two ends.
Alpine snow of half its usual density is new snow alone; 1.55 times is hard old snow in midwinter (Sturm et al. 2010)."""

RARE_RATIO = (0.45, 1.8)
"""The same where no pair of units has a usual density: a light or an icy winter, as long as no other unit comes into question."""

ANY_DENSITY = (60.0, 650.0)
"""Bulk density without days, kg/m3, as `snowtally.inputs.plausible` has it."""

LEAST_PAIRS = 3
"""Pairs of depth and SWE from which density tells the units."""


def usual_density(days: np.ndarray, *, is_south: bool) -> np.ndarray:
    """Return the bulk density of a metre of alpine snow on some days, kg/m3.

    Sturm et al. 2010 (Journal of Hydrometeorology 11, table 4 and equation 6).
    """
    of_year = (days - days.astype("datetime64[Y]")).astype(int) + (HALF_YEAR if is_south else 0)
    from_new_year = np.where(of_year % YEAR > HALF_YEAR, of_year % YEAR - YEAR, of_year % YEAR)
    first, most = 0.2237, 0.5975
    ripening = 1.0 - np.exp(-0.0012 * 100.0 - 0.0038 * from_new_year.clip(AUTUMN))
    return 1000.0 * ((most - first) * ripening + first)


YEAR, HALF_YEAR = 365, 182
"""Days; the seasons of the hemispheres differ by half a year."""

AUTUMN = -30
"""Day of the year from which the relation is used: before December it falls below new snow's density."""


def _snow_units(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    depth, swe = these.cells("depth"), these.cells("swe")
    if depth is None and swe is None:
        return {}
    if depth is not None and depth.is_paths:
        # Of rasters; what unit their files hold is their own matter.
        return {}
    stated = {key: _stated(these, key) for key in ("depth", "swe")}
    ways = [
        (of_depth, of_swe)
        for of_depth in ([stated["depth"]] if stated["depth"] else list(LENGTHS))
        for of_swe in ([stated["swe"]] if stated["swe"] else ["mm", "cm", "m", "inch", "foot"])
    ]
    fitting = [way for way in ways if _snow_fits(these, *way)]
    if not fitting and not any(_snow_instead(these, key, stated) for key in stated):
        fitting = [way for way in ways if _snow_fits(these, *way, ratio=RARE_RATIO)]
    readings: dict[str, UnitReading] = {}
    for key, cells, at in (("depth", depth, 0), ("swe", swe, 1)):
        if cells is None or not len(cells.known):
            continue
        units = list(dict.fromkeys(way[at] for way in fitting))
        evidence = _snow_evidence(these, key, cells, depth, swe)
        own = stated[key]
        instead = _snow_instead(these, key, stated) if own not in units else []
        other = "swe" if key == "depth" else "depth"
        if own and not units and not instead and _snow_instead(these, other, stated):
            # What the other column says is wrong, since another unit there would fit.
            units = [own]
        readings[key] = _reading(these, key, units, stated[key], evidence, instead)
    if depth is not None and "core" in these.columns:
        # A core is a little shorter than the snow beside it is deep.
        core = _core_unit(these, readings.get("depth"))
        if core is not None:
            readings["core"] = core
    return readings


def fits_snow(these: Surveyed, **more: SeenColumn) -> bool:
    """Return whether a column would be snow in some unit, beside the columns that are known; `more` are such by key."""
    with_it = replace(these, columns={**these.columns, **more})
    stated = {key: _stated(with_it, key) for key in ("depth", "swe")}
    return any(
        _snow_fits(with_it, of_depth, of_swe)
        for of_depth in [stated["depth"] or unit for unit in LENGTHS]
        for of_swe in [stated["swe"] or unit for unit in ("mm", "cm", "m", "inch", "foot")]
    )


def fits_air(these: Surveyed, column: SeenColumn) -> bool:
    """Return whether a column would be air temperatures in degrees Celsius."""
    return _air_fits(these, column.cells.numbers, "degC")


def fits_weights(these: Surveyed, cutter: SeenColumn) -> bool:
    """Return whether the weighed cores have a snow's density by a cutter in some unit, and by none without it."""
    if not {"mass_full", "mass_empty", "depth"} <= set(these.columns):
        return False
    with_it = replace(these, columns={**these.columns, "cutter": cutter})
    return UNKNOWN not in unit_readings(with_it)["cutter"].others


def _snow_instead(these: Surveyed, key: str, stated: Mapping[str, str | None]) -> list[str]:
    """Return the units of a key that would fit where the stated one does not, with the other key as stated."""
    other = stated["swe" if key == "depth" else "depth"]
    units = []
    for unit in LENGTHS:
        for second in [other] if other else ["mm", "cm", "m", "inch"]:
            way = (unit, second) if key == "depth" else (second, unit)
            if _snow_fits(these, *way):
                units.append(unit)
    return list(dict.fromkeys(units))


def _snow_evidence(these: Surveyed, key: str, own: Cells, depth: Cells | None, swe: Cells | None) -> str:
    parts = []
    if depth is not None and len(depth.known):
        parts.append(f"depth {depth.shown_range()}")
    if swe is not None and len(swe.known):
        parts.append(f"SWE {swe.shown_range()}")
    return ", ".join(parts or [own.shown_range()]) + f", header '{these.columns[key].header}'"


def _snow_fits(these: Surveyed, depth_unit: str, swe_unit: str, *, ratio: tuple[float, float] = SEASON_RATIO) -> bool:
    depth, swe = these.cells("depth"), these.cells("swe")
    depth_m = None if depth is None else _usual(depth.numbers) * _factor(depth_unit, "m")
    swe_mm = None if swe is None else _usual(swe.numbers) * _factor(swe_unit, "mm")
    for numbers, (low, high) in ((depth_m, DEPTHS_M), (swe_mm, SWES_MM)):
        if numbers is not None and (numbers > 0).any() and not low <= float(np.nanquantile(numbers, 0.95)) <= high:
            return False
    if depth_m is None or swe_mm is None:
        return True
    both = (depth_m > 0) & (swe_mm > 0) & ((depth_m > THIN_M) | (swe_mm > THIN_M * ANY_DENSITY[1]))
    if both.sum() < LEAST_PAIRS:
        return True
    density = swe_mm[both] / depth_m[both]
    if not ANY_DENSITY[0] <= float(np.median(density)) <= ANY_DENSITY[1]:
        return False
    if these.days is None or np.isnat(these.days[both]).all():
        return True
    known = ~np.isnat(these.days[both])
    return _like_its_season(density[known], these.days[both][known], these, ratio=ratio)


def _like_its_season(
    density: np.ndarray, days: np.ndarray, these: Surveyed, *, ratio: tuple[float, float] = SEASON_RATIO
) -> bool:
    """Return whether densities are usual for their days."""
    ratios = [float(np.median(density / usual_density(days, is_south=south))) for south in these.hemispheres]
    return any(ratio[0] <= one <= ratio[1] for one in ratios)


THIN_M = 0.15
"""Thinner snow tells little of its density (as `snowtally.inputs.plausible`)."""


def _usual(numbers: np.ndarray) -> np.ndarray:
    """Return numbers without codes for no value and without negative ones, NaN in their place."""
    return np.where((numbers < 0) | np.isin(np.abs(numbers), CODES), np.nan, numbers)


def _core_unit(these: Surveyed, depth: UnitReading | None) -> UnitReading | None:
    stated = _stated(these, "core")
    if depth is None:
        return UnitReading(stated, f"header '{these.columns['core'].header}'", is_stated=True) if stated else None
    core, deep = these.columns["core"].cells.numbers, these.columns["depth"].cells.numbers
    ratio = float(np.nanmedian(np.where(deep > 0, core / np.where(deep > 0, deep, 1.0), np.nan)))
    units = [
        unit
        for unit in LENGTHS
        if CORE_SHARE[0] <= ratio * _factor(unit, "m") / _factor(depth.unit, "m") <= CORE_SHARE[1]
    ]
    evidence = f"{ratio:.2g} of the depth beside it"
    return _reading(these, "core", units, stated, evidence, units)


CORE_SHARE = (0.6, 1.1)
"""Length of cores over the depth beside them: light snow packs in the tube, and depths are read to a centimetre (common practice)."""


# --------------------------------------------------------------------------------------------------- all kinds of unit


def _reading(
    these: Surveyed,
    key: str,
    fitting: Sequence[str],
    stated: str | None,
    evidence: str,
    instead: Sequence[str] = (),
) -> UnitReading:
    """Return the unit of a column from the units that fit its numbers.

    Parameters
    ----------
    fitting : of the units that may be, those that fit; where one is stated, that or none.
    instead : units that fit where the stated one does not.
    """
    header = f"header '{these.columns[key].header}'"
    if stated and stated in fitting:
        return UnitReading(stated, evidence if header in evidence else f"{header}, {evidence}", is_stated=True)
    if stated:
        others = tuple(unit for unit in instead if unit != stated)
        what = f"would fit {' or '.join(others)}" if others else "fit no unit"
        return UnitReading(
            stated, f"{header} says {stated}, but the numbers {what} ({evidence})", others or (UNKNOWN,), True
        )
    if len(fitting) == 1:
        return UnitReading(fitting[0], f"{evidence}: only {fitting[0]} fits")
    said = [unit for unit in fitting if unit in these.said]
    if len(said) == 1:
        return UnitReading(said[0], f"{evidence}; of {', '.join(fitting)} the file names {said[0]}")
    if not fitting:
        return UnitReading(_canonical(these, key), f"{evidence}: no unit fits", (UNKNOWN,))
    return UnitReading(fitting[0], f"{evidence}: {' or '.join(fitting)}", tuple(fitting[1:]))


def _canonical(these: Surveyed, key: str) -> str:
    return next(column.unit or "" for column in these.table.columns if column.key == key)


# ----------------------------------------------------------------------------------------------------- weighed cores


def _weighing_units(these: Surveyed, before: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the units of the weights and of the cutter: those by which the cores have a snow's density."""
    full = these.cells("mass_full")
    if full is None or not len(full.known):
        return {}
    empty, cutter, depth = these.cells("mass_empty"), these.cells("cutter"), these.cells("depth")
    stated = {key: _stated(these, key) for key in ("mass_full", "mass_empty", "cutter")}
    of_mass = [unit for unit in (stated["mass_full"], stated["mass_empty"]) if unit][:1] or list(MASSES)
    of_cutter = [stated["cutter"]] if stated["cutter"] else list(CUTTERS)
    ways = list(itertools.product(of_mass, of_cutter))
    net = full.numbers - (empty.numbers if empty is not None else 0.0)
    evidence = f"weights {full.shown_range()}"
    if cutter is not None and len(cutter.known) and depth is not None and "depth" in before:
        deep_m = _usual(depth.numbers) * _factor(before["depth"].unit, "m")
        cores = these.cells("cores")
        many = np.ones(len(net)) if cores is None else np.where(np.isfinite(cores.numbers), cores.numbers, 1.0)
        evidence += f", cutter {cutter.shown_range()}, depth {depth.shown_range()}"
        ways = [way for way in ways if _weighs_like_snow(these, net / many, deep_m, way)]
    readings = {}
    for key, at in (("mass_full", 0), ("mass_empty", 0), ("cutter", 1)):
        cells = these.cells(key)
        if cells is None or not len(cells.known):
            continue
        units = list(dict.fromkeys(way[at] for way in ways))
        said = stated[key] if key == "cutter" else of_mass[0] if len(of_mass) == 1 else None
        readings[key] = _reading(these, key, units, said, evidence)
    return readings


def _weighs_like_snow(these: Surveyed, net: np.ndarray, deep_m: np.ndarray, way: tuple[str, str]) -> bool:
    cutter = these.columns["cutter"].cells.numbers
    swe_mm = 10.0 * net * _factor(way[0], "g") / conversion(way[1], "cm**2").of(np.where(cutter > 0, cutter, np.nan))
    both = np.isfinite(swe_mm) & (deep_m > THIN_M) & (swe_mm > 0)
    if both.sum() < LEAST_PAIRS:
        return True
    density = swe_mm[both] / deep_m[both]
    if these.days is None or np.isnat(these.days[both]).all():
        return ANY_DENSITY[0] <= float(np.median(density)) <= ANY_DENSITY[1]
    known = ~np.isnat(these.days[both])
    return _like_its_season(density[known], these.days[both][known], these)


# ------------------------------------------------------------------------------------------------ air, rain, sun, height


def _air_units(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    readings = {}
    for key in ("air_temperature", "air_temperature_min", "air_temperature_max"):
        cells = these.cells(key)
        if cells is None or not len(cells.known):
            continue
        stated = _stated(these, key)
        fitting = [unit for unit in TEMPERATURES if _air_fits(these, cells.numbers, unit)]
        evidence = f"{cells.shown_range()} {_season_words(these)}".strip()
        usable = [unit for unit in fitting if stated in (None, unit)]
        readings[key] = _reading(these, key, usable, stated, evidence, fitting)
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


def _precipitation_units(these: Surveyed, before: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    readings = {}
    swe = these.cells("swe")
    for key, limits in (("precipitation", DAY_MM), ("precipitation_total", TOTAL_MM)):
        cells = these.cells(key)
        if cells is None or not len(cells.known):
            continue
        stated = _stated(these, key)
        usual = _usual(cells.numbers)
        high = float(np.nanquantile(usual, 0.995)) if np.isfinite(usual).any() else 0.0
        units = ["mm", "cm", "inch", "m"] if stated is None else list(dict.fromkeys(["mm", "cm", "inch", "m", stated]))
        fitting = [unit for unit in units if high == 0.0 or limits[0] <= high * _factor(unit, "mm") <= limits[1]]
        evidence = cells.shown_range()
        if key == "precipitation_total" and swe is not None and "swe" in before and not before["swe"].others:
            most = float(np.nanmax(_usual(swe.numbers), initial=0.0)) * _factor(before["swe"].unit, "mm")
            if most > 0 and high > 0:
                fitting = [u for u in fitting if OVER_SWE[0] <= high * _factor(u, "mm") / most <= OVER_SWE[1]]
                evidence += f", SWE up to {most:.0f} mm"
        readings[key] = _reading(these, key, fitting, stated, evidence, fitting)
    return readings


DAY_MM, TOTAL_MM = (3.0, 300.0), (60.0, 12_000.0)
"""The heaviest falls of a table of days or hours, and the end of a season's total, mm (common practice, no source)."""

OVER_SWE = (0.45, 9.0)
"""A season's precipitation over the most SWE of its stations: gauges miss half of the snow at the worst, and in dry lowlands most
of a year's water falls as rain (common practice, no source). Millimetres and inches are further apart (25.4)."""


def _solar_unit(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    cells = these.cells("solar")
    if cells is None or not len(cells.known):
        return {}
    latitude = LIKELY_LATITUDE if these.hint is None else (these.hint.south + these.hint.north) / 2
    fitting = list(ENERGIES)
    if these.days is not None and (~np.isnat(these.days)).any():
        known = ~np.isnat(these.days) & np.isfinite(cells.numbers)
        above = above_air_mj(these.days[known], latitude)
        for unit in ENERGIES:
            share = float(np.quantile(cells.numbers[known] * _factor(unit, "MJ/m**2") / above, 0.9))
            if not CLEAR_SHARE[0] <= share <= CLEAR_SHARE[1]:
                fitting.remove(unit)
    return {"solar": _reading(these, "solar", fitting, _stated(these, "solar"), cells.shown_range(), fitting)}


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


def _elevation_unit(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    cells = these.cells("elevation")
    if cells is None or not len(cells.known):
        return {}
    stated, hint = _stated(these, "elevation"), these.hint
    fitting, evidence = ["m", "foot"], cells.shown_range()
    ground = _ground(these)
    if ground is not None:
        off = {u: float(np.nanmedian(np.abs(cells.numbers * _factor(u, "m") - ground))) for u in fitting}
        fitting = [unit for unit in fitting if off[unit] <= OFF_TERRAIN_M]
        evidence += f", terrain there {np.nanmin(ground):.0f} to {np.nanmax(ground):.0f} m"
    elif hint is not None and np.isfinite(hint.lowest_m):
        # Half of the sites stand within the basin's heights, whatever the others do.
        middle = float(np.median(cells.known))
        fitting = [
            u for u in fitting if hint.lowest_m - SLACK_M <= middle * _factor(u, "m") <= hint.highest_m + SLACK_M
        ]
        evidence += f", terrain {hint.lowest_m:.0f} to {hint.highest_m:.0f} m"
    else:
        fitting = [u for u in fitting if float(np.median(cells.known)) * _factor(u, "m") <= HIGHEST_SITE_M]
    return {"elevation": _reading(these, "elevation", fitting, stated, evidence, fitting)}


OFF_TERRAIN_M, SLACK_M, HIGHEST_SITE_M = 250.0, 300.0, 5500.0
"""Half of the stated heights lie so near to the terrain's, the basin's heights reach so far beyond a raster's, and no course
lies higher, m (common practice, no source)."""


def _ground(these: Surveyed) -> np.ndarray | None:
    """Return the terrain's heights at a table's coordinates in degrees, None where nothing tells them."""
    lon, lat = these.cells("longitude"), these.cells("latitude")
    if these.hint is None or these.hint.heights is None or lon is None or lat is None:
        return None
    heights = np.asarray(these.hint.heights(lon.numbers, lat.numbers), float)
    return heights if np.isfinite(heights).any() else None


def _error_unit(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    cells = these.cells("depth_se")
    if cells is None or not len(cells.known):
        return {}
    middle = float(np.median(cells.known))
    fitting = [unit for unit in ("m", "cm", "mm") if ERROR_M[0] <= middle * _factor(unit, "m") <= ERROR_M[1]]
    stated = _stated(these, "depth_se")
    return {"depth_se": _reading(these, "depth_se", [stated] if stated else fitting, stated, cells.shown_range())}


ERROR_M = (0.015, 0.5)
"""Standard error of depth by laser, m (published errors of 0.05 to 0.25 m; common practice)."""
