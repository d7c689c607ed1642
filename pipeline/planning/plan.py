"""Where to measure next: candidate sites and flight strips by what they would cut of the total's error on a date."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import Transformer
from scipy.ndimage import binary_dilation

from snowtally.estimate.estimate import map_of_day
from snowtally.estimate.swe_map import MapOfDay
from snowtally.flights.measure import DEPTH_BIAS_SE_M
from snowtally.gather.day import Stage, choices, read_inputs
from snowtally.gather.sources import source_of
from snowtally.inputs.read_sites import read_sites, sites_on_grid
from snowtally.inputs.read_trails import trail_distance
from snowtally.model.basin import Basin
from snowtally.model.problems import SettingsError
from snowtally.planning.survey import MapError, best_sites, best_strips, strips_over, variance_of_sum
from snowtally.settings.basin import Settings
from snowtally.snow.blend import Blend
from snowtally.snow.density import Locations
from snowtally.snow.flight_swe import CANOPY_DEPTH_SE_M
from snowtally.snow.site_values import SITE_VARIATION, site_values
from snowtally.snow.terrain_balance import Background
from snowtally.statistics.errors import MM_PER_M, ErrorPart, volume_covariance

MEASURED_SE = (10.0, 0.05)
"""Error of a course of ten cores or of a station's SWE: so many mm, and so great a share of it (common practice, no source)."""

AVALANCHE_DEGREES = 25.0
"""Ground from here on is taken for avalanche terrain: slab avalanches release mostly between 30 and 45 degrees (common
practice, no source), and a cell's mean hides steeper places."""

BELOW_STEEP_M = 300.0
"""Ground so near to steep ground is marked with it: avalanches run out over gentler ground (chosen; real runouts may be longer)."""

THINNED_CELLS = 40_000
"""Cells on which the present sites are tried one by one (chosen: a site informs kilometres around it, so that fewer cells do).
Accuracy and cost alone."""


@dataclass(frozen=True)
class Plan:
    """What further measurements would be worth on a date.

    Parameters
    ----------
    total : what the total is: "basin" or a zone_id; `volume_m3` and `volume_se_m3` as the map of the day has them.
    sites : proposed places in order: name, longitude, latitude, x, y (m), elevation_m, slope_degrees, avalanche_terrain,
        alone and together (shares of the total's variance).
    strips : flight strips in order: direction and number, middle_m, length_km, alone, together.
    east_west : by strip, whether it runs east-west; else north-south.
    whole_flight : share of the variance that a flight over the whole basin would cut.
    strip_width_m : width of the strips.
    present : the sites in use: site_id, and the share by which the variance would grow without each; smallest first.
    value : share of the variance that one site in each cell would cut, on (y, x), missing where none may be.
    """

    date: dt.date
    total: str
    volume_m3: float
    volume_se_m3: float
    sites: pd.DataFrame
    strips: pd.DataFrame
    east_west: list[bool]
    whole_flight: float
    strip_width_m: float
    present: pd.DataFrame
    value: xr.DataArray


def plan_of(settings: Settings, date: dt.date, stage: Stage, *, zone: str | None, count: int) -> Plan:
    """Return what further measurements would be worth to a total.

    Parameters
    ----------
    zone : the zone's id, None for the whole basin.
    count : sites and strips to propose.

    Raises
    ------
    SettingsError : the zone is none of the basin's, or no place is left where one may measure.
    SnowtallyError : the settings or a required input cannot be used, or there is no estimate for the date.
    """
    readings = read_inputs(settings, date, stage)
    stage("estimating")
    day_map = map_of_day(readings.inputs, choices(settings))
    counted = _counted(day_map, zone)
    stage("weighing sites")
    inputs, grid = day_map.inputs, day_map.inputs.basin.grid
    area = np.nan_to_num(inputs.basin.terrain["cell_area"].to_numpy())
    weight = np.where(counted, area, 0.0) / MM_PER_M
    swe = np.nan_to_num(day_map.today.swe_mm)
    allowed, names = _allowed(settings, day_map)
    proposed, alone = weigh_sites(day_map, weight, allowed, count)
    stage("weighing flight strips")
    strips = strips_over(area > 0, grid.x, grid.y, settings.plan.strip_width_m)
    chosen, everything = best_strips(day_map.today.parts, _as_flown(day_map, swe), (area, counted), strips, count)
    stage("weighing the present sites")
    return Plan(
        date=date,
        total=zone or "basin",
        volume_m3=float(np.sum(weight * swe)),
        volume_se_m3=float(np.sqrt(max(variance_of_sum(MapError(day_map.today.parts, grid.x, grid.y), weight), 0.0))),
        sites=_described(proposed, names, day_map),
        strips=chosen.assign(
            name=[strips.names[k] for k in chosen["strip"]],
            middle_m=[strips.middle_m[k] for k in chosen["strip"]],
            length_km=[len(strips.members[k]) * strips.width_m / MM_PER_M for k in chosen["strip"]],
        )[["name", "middle_m", "length_km", "alone", "together"]],
        east_west=[strips.east_west[k] for k in chosen["strip"]],
        whole_flight=everything,
        strip_width_m=strips.width_m,
        present=_present(day_map, weight),
        value=grid.array(
            alone,
            units="1",
            long_name="share of the total's error variance that a site here would cut",
            crs_wkt=grid.crs.to_wkt(),
        ).assign_attrs(cell_m=grid.cell_m),
    )


def weigh_sites(
    day_map: MapOfDay, weight: np.ndarray, allowed: np.ndarray, count: int
) -> tuple[pd.DataFrame, np.ndarray]:
    """Return where weighing the snow cuts a sum's error most.

    The tables are those of `best_sites`.

    Parameters
    ----------
    weight : (y, x) weight of each cell in the sum, such as m3 per mm.
    allowed : (y, x) cells where one may measure.
    """
    swe, grid = np.nan_to_num(day_map.today.swe_mm), day_map.inputs.basin.grid
    snowy = swe[(weight > 0) & (swe > 0)]
    # Thin snow is patchy: a sample then differs from its cell by more than a fixed share.
    level = np.maximum(swe, snowy.mean() if len(snowy) else 0.0)
    noise = np.hypot(np.hypot(MEASURED_SE[0], MEASURED_SE[1] * swe), SITE_VARIATION * level)
    return best_sites(MapError(day_map.today.parts, grid.x, grid.y), weight, noise, allowed, count)


def _counted(day_map: MapOfDay, zone: str | None) -> np.ndarray:
    """Return which cells of the basin the total is of."""
    number = day_map.inputs.basin.terrain["zone"].to_numpy()
    if zone is None:
        return number > 0
    ids = day_map.inputs.basin.zone_ids
    if zone not in ids:
        raise SettingsError(f"--zone '{zone}' is no zone of {day_map.inputs.day.basin_id}. Zones: {', '.join(ids)}")
    return number == ids.index(zone) + 1


def _allowed(settings: Settings, day_map: MapOfDay) -> tuple[np.ndarray, dict[tuple[int, int], str]]:
    """Return the cells where people may measure, and candidates' names by cell."""
    inputs, plan = day_map.inputs, settings.plan
    if plan.candidates is not None:
        return _candidates(settings, settings.path(plan.candidates), inputs.basin)
    allowed = inputs.basin.terrain["cell_area"].to_numpy() > 0
    allowed &= inputs.basin.terrain["slope"].to_numpy() <= plan.most_slope_degrees
    taken = inputs.ground.sites.loc[site_values(inputs.ground, inputs.day.date).index]
    allowed[taken["row"], taken["column"]] = False
    if plan.trails is not None:
        allowed &= trail_distance(settings.path(plan.trails), inputs.basin.grid) <= plan.most_trail_distance_m
    if not allowed.any():
        raise SettingsError(
            "no cell of the basin is as gentle and as near to a trail as asked. Raise plan.most_slope_degrees or "
            "plan.most_trail_distance_m"
        )
    return allowed, {}


def _candidates(settings: Settings, path: Path, basin: Basin) -> tuple[np.ndarray, dict[tuple[int, int], str]]:
    if not path.is_file():
        raise SettingsError(f"plan.candidates: file {path} does not exist. Paths are relative to the settings file")
    rows, _ = read_sites(source_of(settings, "sites", [path]))
    placed, _ = sites_on_grid(rows, basin.grid, basin.terrain, settings.checks.site_elevation_m)
    if placed.empty:
        raise SettingsError(f"plan.candidates: no row of {path} stands within the basin and its margin")
    allowed = np.zeros(basin.grid.shape, bool)
    allowed[placed["row"], placed["column"]] = True
    return allowed, {(row.row, row.column): str(row.site_id) for row in placed.itertuples()}


def _described(proposed: pd.DataFrame, names: dict[tuple[int, int], str], day_map: MapOfDay) -> pd.DataFrame:
    """Return the proposed sites with position and terrain."""
    grid, terrain = day_map.inputs.basin.grid, day_map.inputs.basin.terrain
    row, column = proposed["row"].to_numpy(int), proposed["column"].to_numpy(int)
    x, y = grid.x[column], grid.y[row]
    longitude, latitude = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(x, y)
    slope = terrain["slope"].to_numpy()
    return pd.DataFrame(
        {
            "name": [names.get((r, c), f"place {k + 1}") for k, (r, c) in enumerate(zip(row, column, strict=True))],
            "longitude": np.round(longitude, 5),
            "latitude": np.round(latitude, 5),
            "x": x,
            "y": y,
            "elevation_m": terrain["elevation"].to_numpy()[row, column].round(0),
            "slope_degrees": slope[row, column].round(0),
            "avalanche_terrain": near_steep(slope, grid.cell_m)[row, column],
            "alone": proposed["alone"],
            "together": proposed["together"],
        }
    )


def near_steep(slope_degrees: np.ndarray, cell_m: float) -> np.ndarray:
    """Return which cells (y, x) are avalanche terrain.

    They are as steep as `AVALANCHE_DEGREES` or lie within `BELOW_STEEP_M` of such ground.
    """
    reach = int(np.ceil(BELOW_STEEP_M / cell_m))
    away = np.hypot(*np.indices((2 * reach + 1, 2 * reach + 1)) - reach) * cell_m
    return binary_dilation(slope_degrees >= AVALANCHE_DEGREES, structure=away <= BELOW_STEEP_M)


def _as_flown(day_map: MapOfDay, swe_mm: np.ndarray) -> list[ErrorPart]:
    """Return the error parts of a flight's SWE on the day, mm.

    A laser's own noise averages out over a cell.
    """
    density = day_map.density.predict_from_swe(swe_mm, Locations.of_terrain(day_map.inputs.basin.terrain))
    rho = np.nan_to_num(density.mean)
    depth = np.where(rho > 0, swe_mm / np.where(rho > 0, rho, 1.0), 0.0)
    canopy = np.nan_to_num(day_map.inputs.basin.terrain["canopy"].to_numpy())
    return [
        ErrorPart("flight bias", np.where(depth > 0, rho * DEPTH_BIAS_SE_M, 0.0), np.inf),
        ErrorPart("flight canopy", np.where(depth > 0, rho * CANOPY_DEPTH_SE_M * canopy, 0.0), np.inf),
        *(replace(part, error_mm=np.nan_to_num(part.error_mm)) for part in density.parts(depth)),
    ]


def _present(day_map: MapOfDay, weight: np.ndarray) -> pd.DataFrame:
    """Return the variance's growth without each site in use, the least first.

    Growth is a share of the total's variance.

    On a flight's own day the cells come from the laser: the table is empty.
    """
    inputs, names = day_map.inputs, ["site_id", "grows"]
    values = site_values(inputs.ground, inputs.day.date)
    # Without its only site there is no estimate.
    if day_map.today.flown is not None or len(values) <= 1:
        return pd.DataFrame(columns=names)
    step = max(1, int(np.ceil(np.sqrt(weight.size / THINNED_CELLS))))
    thin = slice(step // 2, None, step)
    rows, columns = np.indices(weight.shape)
    cells = day_map.cells.assign(row=(("y", "x"), rows), column=(("y", "x"), columns)).isel(y=thin, x=thin)
    part_weight = weight[thin, thin]

    def variance(background: Background | Blend) -> float:
        parts = background.predict(cells).all_parts(inputs.basin.grid.x[thin], inputs.basin.grid.y[thin])
        group = np.where(part_weight > 0, 0, -1)
        return float(
            volume_covariance(parts, part_weight * MM_PER_M, group, 1, step * inputs.basin.grid.cell_m).total[0, 0]
        )

    whole = variance(day_map.background)
    grown = [
        variance(day_map.background.anew(inputs.ground.without(site), inputs.day.date)) / whole - 1
        if whole > 0
        else 0.0
        for site in values.index
    ]
    # A model fitted anew may also be more certain once a site that disagrees is gone; that is no gain.
    table = pd.DataFrame({"site_id": values.index, "grows": np.maximum(grown, 0.0)}, columns=names)
    return table.sort_values(["grows", "site_id"], kind="stable", ignore_index=True)
