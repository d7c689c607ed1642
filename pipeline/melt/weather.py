"""The weather that melts snow: past days from stations and the weather table, forecast days from its newest issue.

Both end as rows of the columns that `snowtally.melt.energy` names, at one height, with a lapse rate.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.constants import zero_Celsius

from snowtally.melt.energy import HUMIDITY, saturation_hpa
from snowtally.model.ground import GroundRecord
from snowtally.snow.forcing import LAPSE_K_PER_KM, season_forcing
from snowtally.statistics.regression import PRIOR_COUNTS
from snowtally.terrain.sun import (
    Location,
    SunPath,
    clear_sky_mj_m2,
    cloud_cover,
    diffuse_share,
    extraterrestrial_mj_m2,
    path_dates,
    sun_path,
)

CLOUD_WAVES = 0.84
"""A full cloud cover takes the sky's emissivity this share of the way to 1 (Unsworth and Monteith 1975, Q. J. R. Meteorol. Soc.
101, 13-24)."""

SWING_K = (6.0, 2.0)
"""Mean of the day's warm half less that of its cold half, K, where lowest and highest are not told, under a clear and an overcast sky
(common practice, no source)."""

MEAN_CLEARNESS = 0.65
"""Sun of a day over that of a clear day where no day is told (common practice, no source)."""

MOST_DAYS = 30
"""No outlook reaches further: beyond, a table holds a climate and not a forecast (common practice, no source). The table's offset
from the stations is that of as many past days."""

SPREAD_K = (0.7, 0.22)
SPREAD_SUN = (0.06, 0.025)
"""Standard error of a forecast's temperature (K) and of its sun's logarithm on the first day, and its growth a day (common
practice, no source): the prior of what the issues tell."""


@dataclass(frozen=True)
class DailyWeather:
    """Days of weather at one height.

    Parameters
    ----------
    dates : (d,) days without a gap.
    rows : (d, 7) columns as `snowtally.melt.energy` names them.
    lapse_k_per_km, height_m : how temperature changes with height, and the height of the rows.
    """

    dates: pd.DatetimeIndex
    rows: np.ndarray
    lapse_k_per_km: float
    height_m: float


@dataclass(frozen=True)
class Sky:
    """The sun over the basin's middle.

    Where it is, the instant of local midnight on day 0 of time (hours from UTC midnight).
    """

    centre: Location
    midnight_utc_hours: float

    def path(self, date: dt.date) -> SunPath:
        """Return the sun's path of a local day."""
        midnight = dt.datetime.combine(date, dt.time()) + dt.timedelta(hours=self.midnight_utc_hours)
        return sun_path(self.centre, midnight)


def sky_emissivity(temperature_c: np.ndarray, cloud: np.ndarray) -> np.ndarray:
    """Return the emissivity of the sky.

    A clear one by Prata 1996 (Q. J. R. Meteorol. Soc. 122, 1127-1151), then cloud.

    >>> sky_emissivity(np.array([0.0]), np.array([0.0])).round(2)
    array([0.73])
    """
    vapour = np.vectorize(saturation_hpa, otypes=[float])(temperature_c)
    water = 46.5 * HUMIDITY * vapour / (zero_Celsius + temperature_c)
    clear = 1.0 - (1.0 + water) * np.exp(-np.sqrt(1.2 + 3.0 * water))
    return clear * (1.0 - CLOUD_WAVES * cloud) + CLOUD_WAVES * cloud


def clear_days_mj_m2(dates: pd.DatetimeIndex, centre: Location) -> np.ndarray:
    """Return the sun of clear days on level ground, MJ/m2."""
    return clear_sky_mj_m2(extraterrestrial_mj_m2(centre.latitude, dates.day_of_year.to_numpy()), centre.elevation_m)


def weather_rows(dates: pd.DatetimeIndex, daily: pd.DataFrame, sky: Sky) -> np.ndarray:
    """Return days' weather as rows of seven columns.

    Parameters
    ----------
    daily : by day temperature (deg C), swing (K, may be missing), solar (MJ/m2), precipitation (mm).
    """
    cloud = cloud_cover(daily["solar"].to_numpy(), clear_days_mj_m2(dates, sky.centre))
    nodes, at = path_dates(dates)
    paths = [sky.path(date) for date in nodes]
    nearest = at.round().astype(int)
    diffuse = np.ones(len(dates))
    for number, path in enumerate(paths):
        of_path = nearest == number
        diffuse[of_path] = diffuse_share(daily["solar"].to_numpy()[of_path], path)
    clear, overcast = SWING_K
    swing = daily["swing"].fillna(pd.Series(clear + (overcast - clear) * cloud, index=daily.index))
    temperature = daily["temperature"].to_numpy()
    return np.column_stack([
        temperature, swing, np.array([path.day_share for path in paths])[nearest], daily["solar"], diffuse,
        sky_emissivity(temperature, cloud), daily["precipitation"],
    ])  # fmt: skip


def past_weather(ground: GroundRecord, start: pd.Timestamp, end: pd.Timestamp, sky: Sky) -> DailyWeather | None:
    """Return the weather from `start` to `end`.

    None where neither stations nor table have temperature.

    Sun that the table does not tell is that of its mean clearness.
    """
    dates, height = pd.date_range(start, end), sky.centre.elevation_m
    table = ground.weather
    forcing = season_forcing(ground, start, end, np.array([height]))
    if forcing is not None:
        temperature, precipitation = forcing.temperature_c[:, 0], forcing.precipitation_mm
        lapse = forcing.lapse_k_per_km
    else:
        if not len(table) or "air_temperature_c" not in table or table["air_temperature_c"].notna().sum() == 0:
            return None
        lapse = LAPSE_K_PER_KM[0]
        at_height = _at_height(table, lapse, height).reindex(dates)
        temperature = at_height["temperature"].interpolate(limit_direction="both").to_numpy()
        precipitation = at_height["precipitation"].fillna(0.0).to_numpy()
        if np.isnan(temperature).any():
            return None
    clear = clear_days_mj_m2(dates, sky.centre)
    said = _at_height(table, lapse, height).reindex(dates) if len(table) else pd.DataFrame(index=dates)
    solar = said["solar"].to_numpy() if "solar" in said else np.full(len(dates), np.nan)
    clearness = np.nanmean(solar / clear) if np.isfinite(solar).any() else MEAN_CLEARNESS
    daily = pd.DataFrame(
        {
            "temperature": temperature,
            "swing": said.get("swing", np.nan),
            "solar": np.where(np.isfinite(solar), solar, clearness * clear),
            "precipitation": precipitation,
        },
        index=dates,
    )
    return DailyWeather(dates, weather_rows(dates, daily, sky), float(lapse), height)


def _at_height(table: pd.DataFrame, lapse: float, height_m: float) -> pd.DataFrame:
    """Return the table's days, temperature brought to a height.

    Temperature, swing, solar, precipitation.

    Over a sine, the mean of the warm half less that of the cold half is 2 / pi, or 0.64, of the range from lowest to highest.
    """
    by_day = table.assign(
        temperature=table["air_temperature_c"] + lapse * (height_m - table["elevation_m"]) / 1000.0,
        swing=0.64 * (_column(table, "air_temperature_max_c") - _column(table, "air_temperature_min_c")),
        solar=_column(table, "solar_mj_m2"),
        precipitation=_column(table, "precipitation_mm"),
    )
    return by_day.groupby("date")[["temperature", "swing", "solar", "precipitation"]].mean()


def _column(table: pd.DataFrame, name: str) -> pd.Series:
    return table[name] if name in table else pd.Series(np.nan, index=table.index)


def forecast_days(forecast: pd.DataFrame, date: dt.date) -> pd.DataFrame:
    """Return the newest forecast of each day after `date`.

    Up to the first day without sun or temperature.

    Parameters
    ----------
    forecast : date, issued, elevation_m, solar_mj_m2, air_temperature_c and the optional columns of the weather table.
    """
    if forecast.empty:
        return forecast
    newest = forecast.sort_values(["date", "issued"], kind="stable").drop_duplicates("date", keep="last")
    whole = newest.dropna(subset=["solar_mj_m2", "air_temperature_c", "elevation_m"])
    expected = pd.date_range(pd.Timestamp(date) + pd.Timedelta(days=1), periods=MOST_DAYS)
    there = expected.isin(whole["date"])
    length = MOST_DAYS if there.all() else int(np.argmin(there))
    return whole[whole["date"].isin(expected[:length])].reset_index(drop=True)


def table_offset_k(table: pd.DataFrame, past: DailyWeather | None) -> float:
    """Return the table's recent offset from the stations, K.

    0 where nothing can be compared.
    """
    if past is None or not len(table):
        return 0.0
    said = _at_height(table, past.lapse_k_per_km, past.height_m)["temperature"].reindex(past.dates)
    off = (said - past.rows[:, 0]).iloc[-MOST_DAYS:]
    return float(off.mean()) if off.notna().any() else 0.0


def forecast_weather(newest: pd.DataFrame, past: DailyWeather | None, offset_k: float, sky: Sky) -> DailyWeather:
    """Return the weather of the forecast days, the offset removed."""
    lapse = LAPSE_K_PER_KM[0] if past is None else past.lapse_k_per_km
    dates = pd.DatetimeIndex(newest["date"])
    daily = _at_height(newest, lapse, sky.centre.elevation_m).reindex(dates)
    daily = daily.assign(temperature=daily["temperature"] - offset_k, precipitation=daily["precipitation"].fillna(0.0))
    return DailyWeather(dates, weather_rows(dates, daily, sky), lapse, sky.centre.elevation_m)


@dataclass(frozen=True)
class ForecastErrors:
    """Standard errors of a forecast's days.

    Parameters
    ----------
    temperature_k : (day,) of the temperature, K.
    sun_log : (day,) of the logarithm of the sun.
    pairs : how many pairs of issues they were learnt from.
    """

    temperature_k: np.ndarray
    sun_log: np.ndarray
    pairs: int


def forecast_errors(forecast: pd.DataFrame, newest: pd.DataFrame) -> ForecastErrors:
    """Return the standard errors of the forecast's days.

    Notes
    -----
    What earlier issues said of the same day differs from the newest by about as much as this will from the truth.
    The ratio of those differences to the prior, one for all days, is drawn to 1 by `PRIOR_COUNTS` pairs.
    """
    days = np.arange(len(newest))
    prior = SPREAD_K[0] + SPREAD_K[1] * days, SPREAD_SUN[0] + SPREAD_SUN[1] * days
    latest = newest.set_index("date")
    older = forecast[forecast["date"].isin(latest.index)]
    last = latest.loc[older["date"]]
    older = older[(older["issued"].to_numpy() < last["issued"].to_numpy())]
    older = older.dropna(subset=["solar_mj_m2", "air_temperature_c"])
    last = latest.loc[older["date"]]
    lead = (older["date"].to_numpy() - older["issued"].to_numpy()) / np.timedelta64(1, "D") - 1.0
    apart_k = older["air_temperature_c"].to_numpy() - last["air_temperature_c"].to_numpy()
    bright = np.maximum(older["solar_mj_m2"].to_numpy(float), 0.1), np.maximum(last["solar_mj_m2"].to_numpy(float), 0.1)
    apart_sun = np.log(bright[0] / bright[1])
    scales = [
        np.sqrt((PRIOR_COUNTS + np.sum((apart / (first + growth * lead)) ** 2)) / (PRIOR_COUNTS + len(apart)))
        for apart, (first, growth) in ((apart_k, SPREAD_K), (apart_sun, SPREAD_SUN))
    ]
    return ForecastErrors(prior[0] * scales[0], prior[1] * scales[1], len(older))
