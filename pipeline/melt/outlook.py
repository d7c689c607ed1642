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

from snowtally.melt.basin_cells import BasinCells, ForecastSun, Ground
from snowtally.melt.calibration import MeltTuning, tuned_melt
from snowtally.melt.cell_errors import Shares, SharingCells, add_shared_errors, own_errors
from snowtally.melt.energy import DIFFUSE, PRECIPITATION, RAIN_C, SOLAR, TEMPERATURE
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
from snowtally.melt.march import HEIGHT, LAPSE, SUN, TOUCH, WARMTH, WAVES, Melt, march_cells
from snowtally.melt.ripening import Ripeness, ripeness
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
from snowtally.statistics.errors import MM_PER_M
from snowtally.statistics.tiles import in_threads, tiles
from snowtally.statistics.totals import ZoneBands
from snowtally.terrain.sun import Location

SNOW = ("swe", "swe_se", "snow_cover", "density")
"""What an outlook takes of the day's grids."""

GRIDS = ("potential_melt", "melt", "snow_cover", "melt_se")
"""What an outlook has of each cell and day."""

CELLS_AT_A_TIME = 16_384
"""Cells that a thread marches together: few enough to stay in cache. Accuracy and cost alone."""

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
    ground = Ground.of(day, inputs.basin)
    snow = {name: np.nan_to_num(day.fields[name].to_numpy()[ground.inside]) for name in SNOW}
    seen = None
    if inputs.albedo is not None:
        seen = np.stack([inputs.albedo[name].to_numpy().ravel()[ground.number] for name in ("snow_albedo", "age_days")])
    sky, site_view = _sky(day, inputs), ground.sky_view_of_sites(inputs.ground.sites, inputs.basin.grid.width)
    weather = _Weather.of(inputs, newest, sky, day.date, site_view)
    cells = BasinCells(ground, snow, seen, ForecastSun.of(weather.forecast, sky), _ripe(ground, weather))
    units = ZoneBands(day.basin_id, [zone_id for zone_id, _ in day.zones], day.bands)
    unit = units.numbers(*(day.fields[name].to_numpy()[ground.inside] for name in ("zone", "elevation_band")))
    central, energy, grids = _march_basin(cells, weather, unit, units.count)
    members = _members(day, units, cells, unit, central, weather)
    dates = weather.forecast.dates
    rows = outlook_rows(day.date, units, dates, central, members)
    yardsticks = _yardsticks(central, energy)
    _add_shared_errors(grids, cells, unit, Shares.of(central, members[..., 1].std(axis=0, ddof=1)))
    outlook = Outlook(dates=[date.date() for date in dates], table=rows, fields=_on_grid(grids, day))
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
    def of(
        cls, inputs: OutlookInputs, newest: pd.DataFrame, sky: Sky, date: dt.date, site_sky_view: pd.Series
    ) -> _Weather:
        past = past_weather(inputs.ground, pd.Timestamp(inputs.season_start), pd.Timestamp(date), sky)
        forecast = forecast_weather(newest, past, table_offset_k(inputs.ground.weather, past), sky)
        tuning = tuned_melt(inputs.ground, past, site_sky_view)
        return cls(sky, past, forecast, newest, forecast_errors(inputs.forecast, newest), tuning)

    @property
    def air(self) -> np.ndarray:
        """What holds for all cells and days, (6,)."""
        return np.array([self.forecast.lapse_k_per_km, self.forecast.height_m, 0.0, *self.tuning.values])


def _ripe(ground: Ground, weather: _Weather) -> Ripeness:
    """Return how ripe the past days left the snow."""
    forecast = weather.forecast
    # Without a past, the first forecast day takes its part: nothing else is known of how cold the snow is.
    before = weather.past or replace(forecast, dates=forecast.dates[:1], rows=forecast.rows[:1])
    lowest, highest = float(ground.elevation_m.min()), float(ground.elevation_m.max())
    return ripeness(before, lowest, highest, weather.tuning.values)


def _may_have_snow(cells: BasinCells, weather: _Weather) -> np.ndarray:
    """Return which cells have snow, or may get some, (n,): all others neither melt nor are covered on any day."""
    rows, air = weather.forecast.rows, weather.air
    wet = rows[rows[:, PRECIPITATION] > 0, TEMPERATURE]
    coldest = wet.min(initial=np.inf) + air[LAPSE] * (cells.ground.elevation_m - air[HEIGHT]) / 1000.0
    return (cells.snow["swe"] > 0) | (coldest < RAIN_C)


def _march_basin(
    cells: BasinCells, weather: _Weather, unit: np.ndarray, units: int
) -> tuple[UnitSums, np.ndarray, np.ndarray]:
    """Return sums by zone-band and day, energies, and what the grids hold.

    Energies are summed over the basin, (4,) times m2; grids are (name of `GRIDS`, day, cell of the day's grid), float32. Of the
    error of melt they have what is each cell's own.
    """
    ground, snow, days = cells.ground, cells.snow, len(weather.forecast.dates)
    numbers = np.flatnonzero(ground.inside)
    grids = np.empty((len(GRIDS), days, ground.inside.size), np.float32)
    snowy = _may_have_snow(cells, weather)
    grids[:, :, np.flatnonzero(~ground.inside)] = np.nan
    grids[:, :, numbers[~snowy]] = 0.0

    def march(picked: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        part, melt = cells.of(picked), Melt.room(len(picked), days)
        march_cells(part, weather.forecast.rows, weather.air, melt)
        own = np.empty_like(melt.melt)
        own_errors(part, melt, snow["swe_se"][picked], own)
        for values, grid in zip((melt.potential, melt.melt, melt.covered, own), grids, strict=True):
            grid[:, numbers[picked]] = values.T
        weight = ground.area_m2[picked]
        by_unit = csr_array((weight, (unit[picked], np.arange(len(picked)))), shape=(units, len(picked)))
        return np.stack([by_unit @ values for values in melt[:4]]), weight @ melt.energy

    picked = np.flatnonzero(snowy)
    sums, energy = np.zeros((4, units, days)), np.zeros(4)
    for part_sums, part_energy in in_threads(march, [picked[tile] for tile in tiles(len(picked), CELLS_AT_A_TIME)]):
        sums += part_sums
        energy += part_energy
    area, covered, swe = (
        np.bincount(unit, weight, units)
        for weight in (ground.area_m2, ground.area_m2 * snow["snow_cover"], ground.area_m2 * snow["swe"])
    )
    return UnitSums(area, covered, swe, *sums), energy, grids


def _add_shared_errors(grids: np.ndarray, cells: BasinCells, unit: np.ndarray, shares: Shares) -> None:
    """Add to the errors of `_march_basin`'s grids what cells of a zone-band share, day by day."""
    _, melt, _, melt_se = grids
    sharing = SharingCells(np.flatnonzero(cells.ground.inside), unit, cells.snow["snow_cover"])

    def add(number: int) -> None:
        of_day = Shares(*(values[:, number].copy() for values in (shares.of_melt, shares.of_cover)))
        add_shared_errors(melt[number], sharing, of_day, melt_se[number])

    list(in_threads(add, range(len(melt))))


def _on_grid(grids: np.ndarray, day: Day) -> xr.Dataset:
    """Return the grids of `_march_basin` on (time, y, x)."""
    shaped = grids.reshape(*grids.shape[:2], *day.grid.shape)
    named = {name: (("time", "y", "x"), values) for name, values in zip(GRIDS, shaped, strict=True)}
    return xr.Dataset(named, coords={"y": day.grid.y, "x": day.grid.x})


def _members(
    day: Day, units: ZoneBands, cells: BasinCells, unit: np.ndarray, central: UnitSums, weather: _Weather
) -> np.ndarray:
    """Return the members' sums by unit and day, (member, unit, day, 3)."""
    sample = sample_of(unit, cells.ground.area_m2, units.count)
    draws = draws_of(len(weather.forecast.dates), units.count)
    swe_factor = swe_factors(central.swe / MM_PER_M, _unit_covariance(day, units), draws.unit)
    rows = member_weather(weather.forecast, weather.errors, draws.weather, weather.sky)
    air = member_air(weather.forecast, weather.tuning, draws.shared)
    return march_sample(cells.of(sample.cells), sample, rows, air, swe_factor)


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
