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

from snowtally.melt.calibration import MeltTuning, tuned_melt
from snowtally.melt.cell_errors import own_errors, shared_errors
from snowtally.melt.energy import CLOSED_CANOPY, DIFFUSE, PRECIPITATION, SOLAR, TEMPERATURE
from snowtally.melt.ensemble import (
    ALBEDO_SE,
    LAPSE_SE_K_PER_KM,
    MEMBERS,
    draws_of,
    march_sample,
    member_air,
    member_weather,
    sample_of,
    swe_factors,
)
from snowtally.melt.march import (
    CELL_COLUMNS,
    COVERED,
    SUN,
    SWE,
    TOUCH,
    WARMTH,
    WAVES,
    Cells,
    Melt,
    depletion,
    march_cells,
)
from snowtally.melt.ripening import ripeness
from snowtally.melt.totals import UnitSums, outlook_rows
from snowtally.melt.weather import (
    DailyWeather,
    ForecastErrors,
    Sky,
    forecast_days,
    forecast_errors,
    forecast_weather,
    past_weather,
    table_offset_k,
)
from snowtally.model.basin import Basin
from snowtally.model.day import Day, Outlook
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import Finding, findings_table
from snowtally.model.rules.stations import DEGREE_DAY_FACTOR
from snowtally.snow.carry import CELL_VARIATION
from snowtally.statistics.tiles import tiles
from snowtally.statistics.totals import ZoneBands
from snowtally.terrain.horizon import horizons, sky_view
from snowtally.terrain.predictors import horn_gradient
from snowtally.terrain.sun import Location, beam_factor, path_dates, slope_normals

CELLS_AT_A_TIME = 200_000
"""Cells marched together: bounds the memory."""


FRESH_DENSITY = 300.0
"""Density of snow where the map has none, kg/m3: only the depth that hides the ground hangs on it (common practice, no source)."""

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
    """Return the day with its melt outlook.

    Where no forecast reaches past it, with the reason why there is none.
    """
    newest = forecast_days(inputs.forecast, day.date)
    if newest.empty:
        why = "the weather table has no day after the date with sun and temperature, issued by it"
        return replace(day, models=day.models | {"outlook": {"made": False, "why": why}})
    window = inputs.basin.grid.window(inputs.basin.terrain["cell_area"].to_numpy() > 0)[1]
    ground = _Ground.of(day, inputs, window)
    weather = _Weather.of(inputs, newest, _sky(day, inputs), day.date, ground)
    cells = _cells(day, inputs, ground, weather, window)
    units = ZoneBands(day.basin_id, [zone_id for zone_id, _ in day.zones], day.bands)
    unit = units.numbers(*(day.fields[name].to_numpy()[ground.cells] for name in ("zone", "elevation_band")))
    central, grids, energy = _march_basin(day, ground, cells, weather, unit, units.count)
    members = _members(day, units, cells, unit, ground.area_m2, weather)
    dates = weather.forecast.dates
    rows = outlook_rows(day.date, units, dates, central, members)
    yardsticks = _yardsticks(central, energy)
    unit_se = members[..., 1].std(axis=0, ddof=1)
    for number in range(len(dates)):
        melt, own = (grids[name].to_numpy()[number] for name in ("melt", "melt_se"))
        shared = shared_errors(melt[ground.cells], cells, unit, ground.area_m2, unit_se[:, number])
        own[ground.cells] = np.hypot(own[ground.cells], shared)
    outlook = Outlook(dates=[date.date() for date in dates], table=rows, fields=grids)
    checks = pd.concat([day.checks, _warnings(yardsticks, weather.forecast)], ignore_index=True)
    models = day.models | {"outlook": _parameters(weather, yardsticks)}
    return replace(day, outlook=outlook, models=models, checks=checks)


def _sky(day: Day, inputs: OutlookInputs) -> Sky:
    left, bottom, right, top = day.grid.bounds
    to_degrees = Transformer.from_crs(inputs.basin.grid.crs, "EPSG:4326", always_xy=True)
    longitude, latitude = to_degrees.transform((left + right) / 2, (bottom + top) / 2)
    inside = inputs.basin.terrain["cell_area"].to_numpy() > 0
    elevation, convergence = (
        float(inputs.basin.terrain[name].to_numpy()[inside].mean()) for name in ("elevation", "convergence")
    )
    midnight = day.noon_utc - dt.timedelta(hours=12) - dt.datetime.combine(day.date, dt.time())
    return Sky(Location(latitude, longitude, elevation, convergence), midnight / dt.timedelta(hours=1))


@dataclass(frozen=True)
class _Ground:
    """The basin's cells and how they lie to the sun.

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


@dataclass(frozen=True)
class _Weather:
    """What the outlook knows of the weather.

    Parameters
    ----------
    sky : the sun over the basin.
    past : days up to the date; None where they are not known.
    forecast : days after the date.
    newest : the table's rows behind the forecast.
    errors : of the forecast.
    tuning : what brings modelled melt to what the stations lost.
    """

    sky: Sky
    past: DailyWeather | None
    forecast: DailyWeather
    newest: pd.DataFrame
    errors: ForecastErrors
    tuning: MeltTuning

    @classmethod
    def of(cls, inputs: OutlookInputs, newest: pd.DataFrame, sky: Sky, date: dt.date, ground: _Ground) -> _Weather:
        past = past_weather(inputs.ground, pd.Timestamp(inputs.season_start), pd.Timestamp(date), sky)
        forecast = forecast_weather(newest, past, table_offset_k(inputs.ground.weather, past), sky)
        tuning = tuned_melt(inputs.ground, past, ground.site_sky_view)
        return cls(sky, past, forecast, newest, forecast_errors(inputs.forecast, newest), tuning)

    @property
    def air(self) -> np.ndarray:
        """What holds for all cells and days, (6,)."""
        return np.array([self.forecast.lapse_k_per_km, self.forecast.height_m, 0.0, *self.tuning.values])


def _cells(day: Day, inputs: OutlookInputs, ground: _Ground, weather: _Weather, window: tuple[slice, slice]) -> Cells:
    """Return the basin's cells as the march wants them.

    Albedo and cold content are what the past days left.
    """
    nodes, at = path_dates(weather.forecast.dates)
    beams = np.column_stack([beam_factor(ground.normals, ground.horizon, weather.sky.path(date)) for date in nodes])
    swe, cover, density = (
        np.nan_to_num(day.fields[name].to_numpy()[ground.cells]) for name in ("swe", "snow_cover", "density")
    )
    rows = weather.forecast.rows
    diffuse = float(np.average(rows[:, DIFFUSE], weights=rows[:, SOLAR] + 1e-9))
    sun = ((1.0 - diffuse) * beams[:, 0] + diffuse * ground.sky_view) * (1.0 - CLOSED_CANOPY.sun * ground.canopy)
    seen = None
    if inputs.albedo is not None:
        seen = tuple(inputs.albedo[name].to_numpy()[window][ground.cells] for name in ("snow_albedo", "age_days"))
    # Without a past, the first forecast day takes its part: nothing else is known of how cold the snow is.
    before = weather.past or replace(weather.forecast, dates=weather.forecast.dates[:1], rows=rows[:1])
    ripe = ripeness(before, float(ground.elevation_m.min()), float(ground.elevation_m.max()), weather.tuning.values)
    state = np.empty((len(swe), CELL_COLUMNS))
    within = np.divide(swe, cover, out=np.zeros(len(swe)), where=cover > 0)
    for block in tiles(len(swe), CELLS_AT_A_TIME):
        seen_here = None if seen is None else (seen[0][block], seen[1][block])
        state[block, 6], state[block, 7], state[block, 8] = ripe.at(
            ground.elevation_m[block], sun[block], within[block], seen_here
        )
    state[:, :6] = np.column_stack([
        ground.elevation_m, ground.canopy, ground.sky_view, swe, cover, np.where(density > 0, density, FRESH_DENSITY),
    ])  # fmt: skip
    state[swe <= 0, 7:] = 0.0
    return Cells(state, beams, at, depletion(CELL_VARIATION))


def _march_basin(
    day: Day, ground: _Ground, cells: Cells, weather: _Weather, unit: np.ndarray, units: int
) -> tuple[UnitSums, xr.Dataset, np.ndarray]:
    """Return sums by zone-band and day, daily grids, and energies.

    Of the error of melt the grids have what is each cell's own. Energies are summed over the basin, (4,) times m2.
    """
    days, state = len(weather.forecast.dates), cells.state
    names = ("potential_melt", "melt", "snow_cover", "melt_se")
    swe_se = np.nan_to_num(day.fields["swe_se"].to_numpy()[ground.cells])
    grids = {name: np.full((days, *ground.cells.shape), np.nan, np.float32) for name in names}
    numbers = np.flatnonzero(ground.cells)
    sums, energy = np.zeros((4, units, days)), np.zeros(4)
    for block in tiles(len(state), CELLS_AT_A_TIME):
        melt = Melt.room(len(state[block]), days)
        part = Cells(state[block], cells.beams[block], cells.at, cells.depletion)
        march_cells(part, weather.forecast.rows, weather.air, melt)
        weight = ground.area_m2[block]
        energy += weight @ melt.energy
        by_unit = csr_array((weight, (unit[block], np.arange(len(weight)))), shape=(units, len(weight)))
        for number, values in enumerate(melt[:4]):
            sums[number] += by_unit @ values
        own = own_errors(part, melt, swe_se[block])
        for name, values in zip(names, (melt.potential, melt.melt, melt.covered, own), strict=True):
            grids[name].reshape(days, -1)[:, numbers[block]] = values.T
    area, covered, swe = (
        np.bincount(unit, weight, units)
        for weight in (ground.area_m2, ground.area_m2 * state[:, COVERED], ground.area_m2 * state[:, SWE])
    )
    fields = xr.Dataset(
        {name: (("time", "y", "x"), values) for name, values in grids.items()},
        coords={"y": day.grid.y, "x": day.grid.x},
    )
    return UnitSums(area, covered, swe, *sums), fields, energy


def _members(
    day: Day, units: ZoneBands, cells: Cells, unit: np.ndarray, area_m2: np.ndarray, weather: _Weather
) -> np.ndarray:
    """Return the members' sums by unit and day, (member, unit, day, 3)."""
    sample = sample_of(unit, area_m2, units.count)
    draws = draws_of(len(weather.forecast.dates), units.count)
    volume = np.bincount(unit, area_m2 * cells.state[:, SWE], units.count) / 1000.0
    swe_factor = swe_factors(volume, _unit_covariance(day, units), draws.unit)
    rows = member_weather(weather.forecast, weather.errors, draws.weather, weather.sky)
    return march_sample(cells, sample, rows, member_air(weather.forecast, weather.tuning, draws.shared), swe_factor)


def _unit_covariance(day: Day, units: ZoneBands) -> np.ndarray:
    """Return the covariance of the zone-bands' volumes, m6.

    A matrix by number; zero where a zone-band has no area.
    """
    zone = {zone_id: number for number, zone_id in enumerate(units.zones)}
    band = {low: number for number, (low, _) in enumerate(units.bands)}
    rows = day.totals_covariance
    first = rows["zone_id"].map(zone).to_numpy(int) * len(band) + rows["band_low_m"].map(band).to_numpy(int)
    second = rows["zone_id_2"].map(zone).to_numpy(int) * len(band) + rows["band_low_m_2"].map(band).to_numpy(int)
    out = np.zeros((units.count, units.count))
    out[first, second] = rows["covariance_m6"].to_numpy(float)
    return out


def _yardsticks(central: UnitSums, energy: np.ndarray) -> dict[str, float | None]:
    """Return what is held against published figures.

    Shares of energy, and the degree-day factor that the outlook implies.
    """
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


def _warnings(yardsticks: dict[str, float | None], weather: DailyWeather) -> pd.DataFrame:
    """Return a finding where the implied degree-day factor is unusual."""
    factor, (low, high) = yardsticks["degree_day_factor_mm_per_k_day"], DEGREE_DAY_RANGE
    if factor is None or low <= factor <= high:
        return findings_table([])
    return findings_table([
        Finding(
            DEGREE_DAY_FACTOR,
            start=str(weather.dates[0].date()),
            end=str(weather.dates[-1].date()),
            evidence=f"{factor:.1f} mm/(K day), published {low:g} to {high:g}",
        )
    ])  # fmt: skip


def _parameters(known: _Weather, yardsticks: dict[str, float | None]) -> dict[str, Any]:
    """Return what the record keeps of the outlook."""
    weather, tuning, errors = known.forecast, known.tuning, known.errors
    return {
        "made": True,
        "first_day": weather.dates[0].date(),
        "last_day": weather.dates[-1].date(),
        "issued": sorted({issued.date() for issued in known.newest["issued"]}),
        "sun_factor": tuning.values[0],
        "waves_shift_w_m2": tuning.values[1],
        "surface_frost_share": tuning.values[2],
        "tuning_covariance": tuning.covariance,
        "tuning_stations": [
            {"site_id": str(site_id)} | {name: round(float(value), 1) for name, value in row.items()}
            for site_id, row in tuning.stations.iterrows()
        ],
        "past_days_known": known.past is not None,
        "lapse_k_per_km": weather.lapse_k_per_km,
        "height_m": weather.height_m,
        "temperature_c": weather.rows[:, TEMPERATURE].round(2),
        "solar_mj_m2": weather.rows[:, SOLAR].round(2),
        "diffuse_share": weather.rows[:, DIFFUSE].round(3),
        "precipitation_mm": weather.rows[:, PRECIPITATION].round(1),
        "temperature_se_k": errors.temperature_k.round(2),
        "solar_log_se": errors.sun_log.round(3),
        "issue_pairs": errors.pairs,
        "members": MEMBERS,
        "albedo_se": ALBEDO_SE,
        "lapse_se_k_per_km": LAPSE_SE_K_PER_KM,
        "yardsticks": yardsticks,
        "published_degree_day_range": DEGREE_DAY_RANGE,
        "cautions": CAUTIONS,
    }
