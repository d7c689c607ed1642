"""Members of the melt outlook: the same march under other snow, albedo, lapse rate, forecast and melt factor."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipeline.melt.calibration import MeltTuning
from pipeline.melt.march import AIR_COLUMNS, ALBEDO_SHIFT, HEIGHT, LAPSE, TUNED, march_members
from pipeline.melt.weather import DailyWeather, Sky, clear_days_mj_m2, weather_rows
from pipeline.snow.forcing import LAPSE_K_PER_KM
from pipeline.statistics.tiles import one_blas_thread

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

PLACES_A_UNIT = 400
"""Cells of a zone-band that are marched for each member, evenly picked: how its melt errs hangs on what they share. Accuracy and cost
alone."""


@dataclass(frozen=True)
class Sample:
    """Cells that stand for all: their numbers, and how many m2 each stands for."""

    cells: np.ndarray
    weight: np.ndarray


def sample_of(unit: np.ndarray, area_m2: np.ndarray, units: int) -> Sample:
    """Return at most some hundreds of evenly picked cells of each unit, weighted so that each unit's area is kept."""
    order = np.argsort(unit, kind="stable")
    first = np.searchsorted(unit[order], np.arange(units + 1))
    picked = []
    for low, high in itertools.pairwise(first):
        step = max(1, -(-(high - low) // PLACES_A_UNIT))
        picked.append(order[low + (min(step, max(high - low, 1)) - 1) // 2 : high : step])
    cells = np.concatenate(picked) if picked else np.zeros(0, int)
    whole = np.bincount(unit, area_m2, units)
    taken = np.bincount(unit[cells], area_m2[cells], units)
    share = np.divide(whole, taken, out=np.zeros(units), where=taken > 0)
    return Sample(cells, area_m2[cells] * share[unit[cells]])


def swe_factors(volume_m3: np.ndarray, covariance_m6: np.ndarray, draws: np.ndarray) -> np.ndarray:
    """Return factors on the SWE of zone-bands, (member, unit), log-normal with the volumes' own covariance.

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


def draws_of(days: int, units: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return standard normal draws: (member, 5) for lapse, albedo and tuning; (member, 3, day) for the weather, correlated from
    day to day; (member, unit). Members of a pair are opposite.
    """  # noqa: D205  one sentence
    # The same errors every night, so that the same inputs give the same bytes.
    rng = np.random.default_rng(20)
    half = MEMBERS // 2
    shared, weather, units_own = (
        rng.standard_normal((half, 5)),
        rng.standard_normal((half, 3, days)),
        rng.standard_normal((half, units)),
    )
    for day in range(1, days):
        weather[..., day] = WEATHER_MEMORY * weather[..., day - 1] + np.sqrt(1 - WEATHER_MEMORY**2) * weather[..., day]
    return tuple(np.concatenate([drawn, -drawn]) for drawn in (shared, weather, units_own))


def member_weather(
    weather: DailyWeather, spread: tuple[np.ndarray, np.ndarray], draws: np.ndarray, sky: Sky
) -> np.ndarray:
    """Return (member, day, 7) rows of weather with the forecast's errors: temperature, sun and what hangs on it, precipitation.

    Parameters
    ----------
    spread : standard errors of temperature (K) and of the logarithm of the sun, (day,) each.
    draws : (member, 3, day).
    """
    clear = clear_days_mj_m2(weather.dates, sky.place)
    out = []
    for kelvin, bright, wet in draws:
        told = pd.DataFrame(
            {
                "temperature": weather.rows[:, 0] + spread[0] * kelvin,
                "swing": weather.rows[:, 1],
                # No day is brighter than a clear one by more than haze and height can make it.
                "solar": np.minimum(
                    weather.rows[:, 3] * np.exp(spread[1] * bright), np.maximum(1.1 * clear, weather.rows[:, 3])
                ),
                "precipitation": weather.rows[:, 6] * np.exp(WET_SPREAD * wet - 0.5 * WET_SPREAD**2),
            },
            index=weather.dates,
        )
        out.append(weather_rows(weather.dates, told, sky))
    return np.stack(out)


def march_all_members(
    marched: tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray],
    cells: tuple[np.ndarray, np.ndarray],
    weather: tuple[DailyWeather, np.ndarray],
    errors: tuple[np.ndarray, np.ndarray, MeltTuning],
) -> np.ndarray:
    """Return (member, unit, day, 3) sums of potential melt, melt (mm m2) and covered ground (m2).

    Parameters
    ----------
    marched : places, beams, each day's place among these, depletion table.
    cells : (place,) unit and m2 of the sampled places.
    weather : the central one, and the members' rows.
    errors : draws (member, 5), factors on SWE (member, unit), the tuning.
    """
    central, rows = weather
    draws, swe_factor, tuning = errors
    air = np.empty((len(draws), AIR_COLUMNS))
    air[:, LAPSE] = central.lapse_k_per_km + LAPSE_SE_K_PER_KM * draws[:, 0]
    air[:, HEIGHT] = central.height_m
    air[:, TUNED:] = tuning.drawn(draws[:, 2:])
    air[:, ALBEDO_SHIFT] = ALBEDO_SE * draws[:, 1]
    places, beams, at, table = marched
    sums = np.zeros((len(draws), swe_factor.shape[1], len(central.dates), 3))
    march_members(places, beams, at, rows, air, table, swe_factor, cells[0], cells[1], sums)
    return sums
