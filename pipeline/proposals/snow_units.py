"""The units of snow.

Depth, water equivalent and cores by their density, weighed or read off.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from snowtally.inputs.units import conversion
from snowtally.proposals.cells import Cells
from snowtally.proposals.seen_columns import SeenColumn
from snowtally.proposals.unit_readings import (
    CUTTERS,
    LENGTHS,
    MASSES,
    Surveyed,
    UnitReading,
    factor,
    reading,
    stated_unit,
    usual,
)

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


def snow_units(these: Surveyed, _: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the units of depth, SWE and core length.

    Those of a usual density.
    """
    depth, swe = these.cells("depth"), these.cells("swe")
    if depth is None and swe is None:
        return {}
    if depth is not None and depth.is_paths:
        # Of rasters; what unit their files hold is their own matter.
        return {}
    stated = {key: stated_unit(these, key) for key in ("depth", "swe")}
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
        readings[key] = reading(these, key, units, stated[key], evidence, instead)
    if depth is not None and "core" in these.columns:
        # A core is a little shorter than the snow beside it is deep.
        core = _core_unit(these, readings.get("depth"))
        if core is not None:
            readings["core"] = core
    return readings


def fits_snow(these: Surveyed, **more: SeenColumn) -> bool:
    """Return whether a column would be snow in some unit, beside the columns that are known; `more` are such by key."""
    with_it = replace(these, columns={**these.columns, **more})
    stated = {key: stated_unit(with_it, key) for key in ("depth", "swe")}
    return any(
        _snow_fits(with_it, of_depth, of_swe)
        for of_depth in [stated["depth"] or unit for unit in LENGTHS]
        for of_swe in [stated["swe"] or unit for unit in ("mm", "cm", "m", "inch", "foot")]
    )


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
    depth_m = None if depth is None else usual(depth.numbers) * factor(depth_unit, "m")
    swe_mm = None if swe is None else usual(swe.numbers) * factor(swe_unit, "mm")
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


def _core_unit(these: Surveyed, depth: UnitReading | None) -> UnitReading | None:
    stated = stated_unit(these, "core")
    if depth is None:
        return UnitReading(stated, f"header '{these.columns['core'].header}'", is_stated=True) if stated else None
    core, deep = these.columns["core"].cells.numbers, these.columns["depth"].cells.numbers
    ratio = float(np.nanmedian(np.where(deep > 0, core / np.where(deep > 0, deep, 1.0), np.nan)))
    units = [
        unit
        for unit in LENGTHS
        if CORE_SHARE[0] <= ratio * factor(unit, "m") / factor(depth.unit, "m") <= CORE_SHARE[1]
    ]
    evidence = f"{ratio:.2g} of the depth beside it"
    return reading(these, "core", units, stated, evidence, units)


CORE_SHARE = (0.6, 1.1)
"""Length of cores over the depth beside them: light snow packs in the tube, and depths are read to a centimetre (common practice)."""


def weighing_units(these: Surveyed, before: Mapping[str, UnitReading]) -> dict[str, UnitReading]:
    """Return the units of the weights and of the cutter.

    Those by which the cores have a snow's density.
    """
    full = these.cells("mass_full")
    if full is None or not len(full.known):
        return {}
    empty, cutter, depth = these.cells("mass_empty"), these.cells("cutter"), these.cells("depth")
    stated = {key: stated_unit(these, key) for key in ("mass_full", "mass_empty", "cutter")}
    of_mass = [unit for unit in (stated["mass_full"], stated["mass_empty"]) if unit][:1] or list(MASSES)
    of_cutter = [stated["cutter"]] if stated["cutter"] else list(CUTTERS)
    ways = list(itertools.product(of_mass, of_cutter))
    net = full.numbers - (empty.numbers if empty is not None else 0.0)
    evidence = f"weights {full.shown_range()}"
    if cutter is not None and len(cutter.known) and depth is not None and "depth" in before:
        deep_m = usual(depth.numbers) * factor(before["depth"].unit, "m")
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
        readings[key] = reading(these, key, units, said, evidence)
    return readings


def _weighs_like_snow(these: Surveyed, net: np.ndarray, deep_m: np.ndarray, way: tuple[str, str]) -> bool:
    cutter = these.columns["cutter"].cells.numbers
    swe_mm = 10.0 * net * factor(way[0], "g") / conversion(way[1], "cm**2").of(np.where(cutter > 0, cutter, np.nan))
    both = np.isfinite(swe_mm) & (deep_m > THIN_M) & (swe_mm > 0)
    if both.sum() < LEAST_PAIRS:
        return True
    density = swe_mm[both] / deep_m[both]
    if these.days is None or np.isnat(these.days[both]).all():
        return ANY_DENSITY[0] <= float(np.median(density)) <= ANY_DENSITY[1]
    known = ~np.isnat(these.days[both])
    return _like_its_season(density[known], these.days[both][known], these)


def fits_weights(these: Surveyed, cutter: SeenColumn) -> bool:
    """Return whether the weighed cores have a snow's density by a cutter in some unit, and by none without it."""
    if not {"mass_full", "mass_empty", "depth"} <= set(these.columns):
        return False
    with_it = replace(these, columns={**these.columns, "cutter": cutter})
    return weighing_units(with_it, snow_units(with_it, {}))["cutter"].fits
