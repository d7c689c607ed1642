"""The melt outlook of a basin day in order: from the day's map and the forecast to melt by zone, band and day. No files."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import Transformer
from scipy.sparse import csr_array

from pipeline.melt.calibration import MeltTuning, tuned_melt
from pipeline.melt.energy import CLOSED_CANOPY, DIFFUSE, PRECIPITATION, SOLAR, TEMPERATURE
from pipeline.melt.ensemble import (
    ALBEDO_SE,
    LAPSE_SE_K_PER_KM,
    MEMBERS,
    draws_of,
    march_all_members,
    member_weather,
    sample_of,
    swe_factors,
)
from pipeline.melt.march import PLACE_COLUMNS, SUN, TOUCH, WARMTH, WAVES, depletion, march_places
from pipeline.melt.ripening import ripeness
from pipeline.melt.totals import UnitSums, outlook_rows
from pipeline.melt.weather import (
    DailyWeather,
    Sky,
    forecast_days,
    forecast_spread,
    forecast_weather,
    past_weather,
    table_offset_k,
)
from pipeline.model.basin import Basin
from pipeline.model.day import Day, Outlook
from pipeline.model.ground import GroundRecord
from pipeline.model.problems import Finding, findings_table
from pipeline.snow.carry import CELL_VARIATION
from pipeline.statistics.tiles import tiles
from pipeline.statistics.totals import ZoneBands
from pipeline.terrain.horizon import horizons, sky_view
from pipeline.terrain.predictors import horn_gradient
from pipeline.terrain.sun import Place, beam_factor, path_dates, slope_normals

CELLS_AT_A_TIME = 200_000
"""Cells marched together: bounds the memory."""

FRESH_DENSITY = 300.0
"""Density of snow where the map has none, kg/m3: only the depth that hides the ground hangs on it."""

DEGREE_DAY_RANGE = (1.6, 6.0)
"""Published degree-day factors, mm/(K day): 0.035 to 0.13 in/(F day) (National Engineering Handbook, part 630, chapter 11)."""

LEAST_DEGREE_DAYS = 10.0
"""Below so many degree days over the outlook a factor says nothing, K day."""

CAUTIONS = (
    "Potential melt is not runoff: meltwater is held in the snow and the ground, and takes its time to the gauge.",
    "No routing and no losses: nothing is taken off for evaporation, sublimation or what the ground keeps.",
    "Rain on snow is not included: neither its water nor its heat. New snow of the forecast is added, as the table has it.",
    "Cold content and cloud come from daily figures; wind and humidity are not known and stand in the error of the tuning.",
)


@dataclass(frozen=True)
class OutlookInputs:
    """What an outlook is made from besides the day itself.

    Parameters
    ----------
    basin : the grid with its margin; elevation (m), canopy (1) and convergence (degrees) on it.
    ground : the sites and what they said; its weather the table's past days.
    forecast : days of the weather table after the date, each issue known on the date.
    albedo : on the grid `snow_albedo`, missing where none was seen, and `age_days`; None where there is none.
    season_start : first day of the snow season.
    """

    basin: Basin
    ground: GroundRecord
    forecast: pd.DataFrame
    albedo: xr.Dataset | None
    season_start: dt.date


def with_outlook(day: Day, inputs: OutlookInputs) -> Day:
    """Return the day with its melt outlook, or, where no forecast reaches past it, with a word on why there is none."""
    newest = forecast_days(inputs.forecast, day.date)
    if newest.empty:
        why = "the weather table has no day after the date with sun and temperature, issued by it"
        return replace(day, models=day.models | {"outlook": {"made": False, "why": why}})
    sky = _sky(day, inputs)
    window = inputs.basin.grid.window(inputs.basin.terrain["cell_area"].to_numpy() > 0)[1]
    ground = _Ground.of(day, inputs, window)
    past = past_weather(inputs.ground, pd.Timestamp(inputs.season_start), pd.Timestamp(day.date), sky)
    tuning = tuned_melt(inputs.ground, past, ground.site_sky_view)
    weather = forecast_weather(newest, past, table_offset_k(inputs.ground.weather, past), sky)
    nodes, at = path_dates(weather.dates)
    beams = np.column_stack([beam_factor(ground.normals, ground.horizon, sky.path(date)) for date in nodes])
    ground = replace(ground, horizon=ground.horizon[:, :0])
    places = _places(day, inputs, (ground, beams[:, 0], window), (past, weather, tuning))
    units = ZoneBands(day.basin_id, [zone_id for zone_id, _ in day.zones], day.bands)
    unit = units.numbers(*(day.fields[name].to_numpy()[ground.cells] for name in ("zone", "band")))
    table = depletion(CELL_VARIATION)
    air = np.array([weather.lapse_k_per_km, weather.height_m, 0.0, *tuning.values])
    central, grids, energy = _march_basin(day, ground, (places, beams, at, table), (weather, air), (unit, units.count))
    spread = forecast_spread(inputs.forecast, newest)
    members = _members(day, units, (places, beams, at, table), (unit, ground.area_m2), (weather, spread, tuning, sky))
    rows = outlook_rows(day.date, units, weather.dates, central, members)
    found = _yardsticks(central, energy)
    told = _parameters(weather, past, (tuning, spread, newest), found)
    outlook = Outlook(dates=[date.date() for date in weather.dates], table=rows, fields=grids)
    checks = pd.concat([day.checks, _warnings(found, weather)], ignore_index=True)
    return replace(day, outlook=outlook, models=day.models | {"outlook": told}, checks=checks)


def _sky(day: Day, inputs: OutlookInputs) -> Sky:
    left, bottom, right, top = day.grid.bounds
    to_degrees = Transformer.from_crs(inputs.basin.grid.crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform((left + right) / 2, (bottom + top) / 2)
    inside = inputs.basin.terrain["cell_area"].to_numpy() > 0
    elevation, convergence = (
        float(inputs.basin.terrain[name].to_numpy()[inside].mean()) for name in ("elevation", "convergence")
    )
    midnight = day.noon_utc - dt.timedelta(hours=12) - dt.datetime.combine(day.date, dt.time())
    return Sky(Place(latitude, longitude, elevation, convergence), midnight / dt.timedelta(hours=1))


@dataclass(frozen=True)
class _Ground:
    """The basin's cells, those with a part in it, and how they lie to the sun.

    `cells` picks them from (y, x) of the day's grid; `horizon` is (sectors, n), `normals` (n, 3), the rest (n,).
    """

    cells: np.ndarray
    area_m2: np.ndarray
    elevation_m: np.ndarray
    canopy: np.ndarray
    normals: np.ndarray
    horizon: np.ndarray
    sky_view: np.ndarray
    site_sky_view: pd.Series

    @classmethod
    def of(cls, day: Day, inputs: OutlookInputs, window: tuple[slice, slice]) -> _Ground:
        elevation = inputs.basin.terrain["elevation"].to_numpy()
        area = day.fields["cell_area"].to_numpy()
        cells = np.isfinite(area) & (area > 0)
        normals = slope_normals(*horn_gradient(elevation, inputs.basin.grid.cell_m))
        view = horizons(elevation, inputs.basin.grid.cell_m)
        sites = inputs.ground.sites
        row, column = sites["row"].to_numpy(int), sites["column"].to_numpy(int)
        at_sites = pd.Series(
            sky_view(np.ascontiguousarray(view[:, row, column]), np.tile([0.0, 0.0, 1.0], (len(sites), 1))),
            index=sites.index,
        )
        horizon = view[:, window[0], window[1]][:, cells]
        inside = normals[window][cells]
        return cls(
            cells=cells,
            area_m2=area[cells],
            elevation_m=elevation[window][cells],
            canopy=inputs.basin.terrain["canopy"].to_numpy()[window][cells],
            normals=inside,
            horizon=horizon,
            sky_view=sky_view(horizon, inside),
            site_sky_view=at_sites,
        )


def _places(
    day: Day,
    inputs: OutlookInputs,
    where: tuple[_Ground, np.ndarray, tuple[slice, slice]],
    weather: tuple[DailyWeather | None, DailyWeather, MeltTuning],
) -> np.ndarray:
    """Return the cells as the march wants them, (n, 9), with the albedo and the cold content that the past days left.

    `where` holds the direct sun's factor on the first day between the ground and the window.
    """
    ground, beam, window = where
    past, forecast, tuning = weather
    swe, cover, density = (
        np.nan_to_num(day.fields[name].to_numpy()[ground.cells]) for name in ("swe", "snow_cover", "density")
    )
    diffuse = float(np.average(forecast.rows[:, DIFFUSE], weights=forecast.rows[:, SOLAR] + 1e-9))
    sun = ((1.0 - diffuse) * beam + diffuse * ground.sky_view) * (1.0 - CLOSED_CANOPY.sun * ground.canopy)
    seen = None
    if inputs.albedo is not None:
        seen = tuple(inputs.albedo[name].to_numpy()[window][ground.cells] for name in ("snow_albedo", "age_days"))
    # Without a past, that of the first forecast day stands for it: nothing else is known of how cold the snow is.
    before = past or replace(forecast, dates=forecast.dates[:1], rows=forecast.rows[:1])
    ripe = ripeness(before, float(ground.elevation_m.min()), float(ground.elevation_m.max()), tuning.values)
    places = np.empty((len(swe), PLACE_COLUMNS))
    within = np.divide(swe, cover, out=np.zeros(len(swe)), where=cover > 0)
    for block in tiles(len(swe), CELLS_AT_A_TIME):
        at = ground.elevation_m[block], sun[block], within[block]
        told = None if seen is None else (seen[0][block], seen[1][block])
        places[block, 6], places[block, 7], places[block, 8] = ripe.at(*at, told)
    places[:, :6] = np.column_stack([
        ground.elevation_m, ground.canopy, ground.sky_view, swe, cover, np.where(density > 0, density, FRESH_DENSITY),
    ])  # fmt: skip
    places[swe <= 0, 7:] = 0.0
    return places


def _march_basin(
    day: Day,
    ground: _Ground,
    marched: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    weather: tuple[DailyWeather, np.ndarray],
    grouping: tuple[np.ndarray, int],
) -> tuple[UnitSums, xr.Dataset, np.ndarray]:
    """Return sums by zone-band and day, daily grids, and the energies summed over the basin, (4,) times m2."""
    places, beams, at, table = marched
    days, (unit, units) = len(weather[0].dates), grouping
    names = ("potential_melt", "melt", "snow_cover")
    out = {name: np.full((days, *ground.cells.shape), np.nan, np.float32) for name in names}
    cells = np.flatnonzero(ground.cells)
    sums, energy = np.zeros((4, units, days)), np.zeros(4)
    for block in tiles(len(places), CELLS_AT_A_TIME):
        filled = [np.empty((len(places[block]), days)) for _ in range(4)]
        taken = np.zeros((len(places[block]), 4))
        march_places(places[block], beams[block], at, weather[0].rows, weather[1], table, *filled, taken)
        weight = ground.area_m2[block]
        energy += weight @ taken
        by_unit = csr_array((weight, (unit[block], np.arange(len(weight)))), shape=(units, len(weight)))
        for number, values in enumerate(filled):
            sums[number] += by_unit @ values
        for name, values in zip(names, filled, strict=False):
            out[name].reshape(days, -1)[:, cells[block]] = values.T
    swe = np.bincount(unit, ground.area_m2 * places[:, 3], units)
    area = np.bincount(unit, ground.area_m2, units)
    cover = np.bincount(unit, ground.area_m2 * places[:, 4], units)
    grids = xr.Dataset(
        {name: (("time", "y", "x"), values) for name, values in out.items()}, coords={"y": day.grid.y, "x": day.grid.x}
    )
    return UnitSums(area, cover, swe, *sums), grids, energy


def _members(
    day: Day,
    units: ZoneBands,
    marched: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    cells: tuple[np.ndarray, np.ndarray],
    weather: tuple[DailyWeather, tuple[np.ndarray, np.ndarray, int], MeltTuning, Sky],
) -> np.ndarray:
    """Return the members' sums by unit and day, (member, unit, day, 3)."""
    places, beams, at, table = marched
    unit, area = cells
    central, spread, tuning, sky = weather
    sample = sample_of(unit, area, units.count)
    shared, of_weather, of_units = draws_of(len(central.dates), units.count)
    volume = np.bincount(unit, area * places[:, 3], units.count) / 1000.0
    swe_factor = swe_factors(volume, _unit_covariance(day, units), of_units)
    rows = member_weather(central, spread[:2], of_weather, sky)
    return march_all_members(
        (places[sample.cells], beams[sample.cells], at, table), (unit[sample.cells], sample.weight), (central, rows),
        (shared, swe_factor, tuning),
    )  # fmt: skip


def _unit_covariance(day: Day, units: ZoneBands) -> np.ndarray:
    """Return the covariance of the zone-bands' volumes as a matrix by number, m6; zero where a zone-band has no area."""
    zone = {zone_id: number for number, zone_id in enumerate(units.zones)}
    band = {low: number for number, (low, _) in enumerate(units.bands)}
    rows = day.totals_covariance
    first = rows["zone_id"].map(zone).to_numpy(int) * len(band) + rows["band_low_m"].map(band).to_numpy(int)
    second = rows["zone_id_2"].map(zone).to_numpy(int) * len(band) + rows["band_low_m_2"].map(band).to_numpy(int)
    out = np.zeros((units.count, units.count))
    out[first, second] = rows["covariance_m6"].to_numpy(float)
    return out


def _yardsticks(central: UnitSums, energy: np.ndarray) -> dict[str, float | None]:
    """Return what is held against published figures: shares of energy, and the degree-day factor that the outlook implies."""
    gains = energy[SUN] + max(energy[WAVES], 0.0) + max(energy[TOUCH], 0.0)
    whole = energy[SUN] + energy[WAVES] + energy[TOUCH]
    snowy = float(central.covered.sum())
    warm = energy[WARMTH] / snowy if snowy > 0 else 0.0
    return {
        "absorbed_solar_share_of_gains": float(energy[SUN] / gains) if gains > 0 else None,
        "net_radiation_share_of_melt_energy": float((energy[SUN] + energy[WAVES]) / whole) if whole > 0 else None,
        "degree_day_factor_mm_per_k_day": (
            float(central.potential.sum() / energy[WARMTH]) if warm >= LEAST_DEGREE_DAYS else None
        ),
    }


def _warnings(found: dict[str, float | None], weather: DailyWeather) -> pd.DataFrame:
    """Return a finding where the implied degree-day factor lies outside the published range."""
    factor, (low, high) = found["degree_day_factor_mm_per_k_day"], DEGREE_DAY_RANGE
    if factor is None or low <= factor <= high:
        return findings_table([])
    return findings_table([
        Finding(
            table="weather",
            start=str(weather.dates[0].date()),
            end=str(weather.dates[-1].date()),
            rule="degree-day factor",
            evidence=f"{factor:.1f} mm/(K day), published {low:g} to {high:g}",
            detail="the outlook melts more or less a degree than has been seen elsewhere: look at sun, temperature and elevation_m "
            "of the forecast days",
        )
    ])  # fmt: skip


def _parameters(
    weather: DailyWeather,
    past: DailyWeather | None,
    told: tuple[MeltTuning, tuple[np.ndarray, np.ndarray, int], pd.DataFrame],
    found: dict[str, float | None],
) -> dict[str, Any]:
    """Return what the record tells of the outlook."""
    tuning, spread, newest = told
    return {
        "made": True,
        "first_day": weather.dates[0].date(),
        "last_day": weather.dates[-1].date(),
        "issued": sorted({issued.date() for issued in newest["issued"]}),
        "sun_factor": tuning.values[0],
        "waves_shift_w_m2": tuning.values[1],
        "surface_frost_share": tuning.values[2],
        "tuning_covariance": tuning.covariance,
        "tuning_stations": [
            {"site_id": str(site_id)} | {name: round(float(value), 1) for name, value in row.items()}
            for site_id, row in tuning.stations.iterrows()
        ],
        "past_days_known": past is not None,
        "lapse_k_per_km": weather.lapse_k_per_km,
        "height_m": weather.height_m,
        "temperature_c": weather.rows[:, TEMPERATURE].round(2),
        "solar_mj_m2": weather.rows[:, SOLAR].round(2),
        "diffuse_share": weather.rows[:, DIFFUSE].round(3),
        "precipitation_mm": weather.rows[:, PRECIPITATION].round(1),
        "temperature_se_k": spread[0].round(2),
        "solar_log_se": spread[1].round(3),
        "issue_pairs": spread[2],
        "members": MEMBERS,
        "albedo_se": ALBEDO_SE,
        "lapse_se_k_per_km": LAPSE_SE_K_PER_KM,
        "yardsticks": found,
        "published_degree_day_range": DEGREE_DAY_RANGE,
        "cautions": CAUTIONS,
    }
