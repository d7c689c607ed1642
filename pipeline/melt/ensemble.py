"""Members of the melt outlook: the same march under other snow, albedo, lapse rate, forecast and melt factor."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.melt.calibration import MeltTuning
from snowtally.melt.march import AIR_COLUMNS, ALBEDO_SHIFT, HEIGHT, LAPSE, TUNED, Cells, Sample, march_member
from snowtally.melt.weather import DailyWeather, ForecastErrors, Sky, clear_days_mj_m2, weather_rows
from snowtally.snow.forcing import LAPSE_K_PER_KM
from snowtally.statistics.tiles import in_threads, one_blas_thread

MEMBERS = 40
"""Members, in pairs of opposite errors: a standard error is then known to 11 %, with half of them to 16 %. Accuracy and cost alone."""

ALBEDO_SE = 0.05
"""Error of albedo common to the basin (common practice, no source)."""

LAPSE_SE_K_PER_KM = LAPSE_K_PER_KM[1]
"""Error of the forecast days' lapse rate, K/km: as between seasons and basins."""

WEATHER_MEMORY = 0.8
"""Correlation of a forecast's errors from one day to the next (common practice, no source)."""

WET_SPREAD = 0.4
"""Standard error of the logarithm of forecast precipitation (common practice, no source)."""

CELLS_A_UNIT = 400
"""Cells of a zone-band that are marched for each member, evenly picked: how its melt errs hangs on what they share. Accuracy and cost
alone."""


def sample_of(unit: np.ndarray, area_m2: np.ndarray, units: int) -> Sample:
    """Return evenly picked cells of each unit, with weights.

    At most some hundreds each; weights keep each unit's area.
    """
    order = np.argsort(unit, kind="stable")
    first = np.searchsorted(unit[order], np.arange(units + 1))
    picked = []
    for low, high in itertools.pairwise(first):
        step = max(1, -(-(high - low) // CELLS_A_UNIT))
        picked.append(order[low + (min(step, max(high - low, 1)) - 1) // 2 : high : step])
    cells = np.concatenate(picked) if picked else np.zeros(0, int)
    whole = np.bincount(unit, area_m2, units)
    taken = np.bincount(unit[cells], area_m2[cells], units)
    share = np.divide(whole, taken, out=np.zeros(units), where=taken > 0)
    return Sample(cells, unit[cells], area_m2[cells] * share[unit[cells]])


def swe_factors(volume_m3: np.ndarray, covariance_m6: np.ndarray, draws: np.ndarray) -> np.ndarray:
    """Return factors on the SWE of zone-bands, (member, unit).

    Log-normal with the volumes' own covariance.

    Parameters
    ----------
    volume_m3 : (unit,); covariance_m6 : (unit, unit); draws : (member, unit) independent standard normal.
    """
    sd = np.sqrt(np.maximum(np.diag(covariance_m6), 0.0))
    # A zone-band with an error beyond its volume is hardly known: the logarithm's error is held at 1. Volumes are told to 1 m3.
    scale = np.maximum(np.maximum(volume_m3, sd), 1.0)
    relative = covariance_m6 / scale[:, None] / scale
    with one_blas_thread():
        values, vectors = np.linalg.eigh(relative)
        # The symmetric root: an eigenvector's sign is chance, and with it which way a zone-band would err.
        logs = draws @ (vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    return np.exp(logs - 0.5 * np.diag(relative))


@dataclass(frozen=True)
class Draws:
    """Standard normal draws of the members; members of a pair are opposite.

    Parameters
    ----------
    shared : (member, 5) for lapse, albedo and tuning.
    weather : (member, 3, day) for the weather, correlated from day to day.
    unit : (member, unit) for the SWE of zone-bands.
    """

    shared: np.ndarray
    weather: np.ndarray
    unit: np.ndarray


def draws_of(days: int, units: int) -> Draws:
    """Return the members' draws, the same every night."""
    # The same errors every night, so that the same inputs give the same bytes.
    rng = np.random.default_rng(20)
    half = MEMBERS // 2
    shared, weather = rng.standard_normal((half, 5)), rng.standard_normal((half, 3, days))
    unit = rng.standard_normal((half, units))
    for day in range(1, days):
        weather[..., day] = WEATHER_MEMORY * weather[..., day - 1] + np.sqrt(1 - WEATHER_MEMORY**2) * weather[..., day]
    return Draws(*(np.concatenate([drawn, -drawn]) for drawn in (shared, weather, unit)))


def member_weather(weather: DailyWeather, errors: ForecastErrors, draws: np.ndarray, sky: Sky) -> np.ndarray:
    """Return the members' weather, (member, day, 7).

    Temperature, sun and precipitation have the forecast's errors; what depends on the sun follows it.

    Parameters
    ----------
    draws : (member, 3, day).
    """
    clear = clear_days_mj_m2(weather.dates, sky.centre)
    out = []
    for kelvin, bright, wet in draws:
        drawn = pd.DataFrame(
            {
                "temperature": weather.rows[:, 0] + errors.temperature_k * kelvin,
                "swing": weather.rows[:, 1],
                # No day is brighter than a clear one by more than haze and height can make it.
                "solar": np.minimum(
                    weather.rows[:, 3] * np.exp(errors.sun_log * bright), np.maximum(1.1 * clear, weather.rows[:, 3])
                ),
                "precipitation": weather.rows[:, 6] * np.exp(WET_SPREAD * wet - 0.5 * WET_SPREAD**2),
            },
            index=weather.dates,
        )
        out.append(weather_rows(weather.dates, drawn, sky))
    return np.stack(out)


def member_air(central: DailyWeather, tuning: MeltTuning, draws: np.ndarray) -> np.ndarray:
    """Return what holds for all cells of each member, (member, 6).

    Parameters
    ----------
    draws : (member, 5).
    """
    air = np.empty((len(draws), AIR_COLUMNS))
    air[:, LAPSE] = central.lapse_k_per_km + LAPSE_SE_K_PER_KM * draws[:, 0]
    air[:, HEIGHT] = central.height_m
    air[:, TUNED:] = tuning.drawn(draws[:, 2:])
    air[:, ALBEDO_SHIFT] = ALBEDO_SE * draws[:, 1]
    return air


def march_sample(cells: Cells, sample: Sample, rows: np.ndarray, air: np.ndarray, swe_factor: np.ndarray) -> np.ndarray:
    """Return the members' sums by zone-band and day, (member, unit, day, 3).

    Sums are of potential melt and melt (mm m2) and of covered ground (m2).

    Parameters
    ----------
    cells : those of the sample.
    rows : (member, day, 7) weather.
    air : (member, 6) as `member_air` gives it.
    swe_factor : (member, unit).
    """
    sums = np.zeros((*swe_factor.shape, rows.shape[1], 3))

    def march(member: int) -> None:
        march_member(cells, sample, rows[member], air[member], swe_factor[member], sums[member])

    list(in_threads(march, range(len(sums))))
    return sums
