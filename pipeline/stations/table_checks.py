"""The weather table's air temperature and precipitation against the stations, and against what weather can be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules import stations as rules
from snowtally.model.rules.rule import Action, Rule
from snowtally.stations import air_checks, catch_checks
from snowtally.stations.gauge_checks import STEP_MM
from snowtally.stations.limits import StationLimits
from snowtally.stations.network import Network
from snowtally.stations.own_series_checks import AIR_TEMPERATURES
from snowtally.stations.series import UNITS

AIR = ("air_temperature_c", "air_temperature_min_c", "air_temperature_max_c")
RAIN = ("precipitation_mm",)

LINK_DAYS = 3
"""Days of one rule no further apart than this are one finding."""


def within_limits(weather: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the weather table without impossible values, and findings.

    Values that no weather can have become missing. Where a day's mean air temperature is impossible, its least and
    greatest become missing too.

    Parameters
    ----------
    weather : as `check_weather`.
    """
    weather = weather.reset_index(drop=True)
    findings: list[Finding] = []
    for names, (low, high) in ((AIR, AIR_TEMPERATURES), (RAIN, STEP_MM)):
        if names[0] not in weather:
            continue
        values, unit = weather[names[0]].to_numpy(float), UNITS[names[0]]
        beyond = (values < low) | (values > high)
        allowed = f"{low:g} to {high:g} {unit}"
        evidence = partial(_beyond, values, unit, allowed)
        _tell(weather, beyond, names, rules.WEATHER_OUT_OF_RANGE, findings, evidence)
    return weather, findings


def _beyond(values: np.ndarray, unit: str, allowed: str, rows: np.ndarray) -> str:
    return f"{values[rows].min():g} to {values[rows].max():g} {unit}, allowed {allowed}"


def check_weather(
    weather: pd.DataFrame, daily: pd.DataFrame, network: Network, limits: StationLimits
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the checked weather table and the findings.

    Values that the stations contradict become missing.

    Parameters
    ----------
    weather : past days, one row a day: date, elevation_m, air_temperature_c, precipitation_mm, file, line; other
        columns stay.
    daily : the stations' days after their own checks: site_id, date, air_temperature_c, precipitation_mm.
    network : where the stations stand.
    """
    weather = weather.reset_index(drop=True)
    findings: list[Finding] = []
    if len(weather) and len(daily):
        _against_stations(weather, daily, network, limits, findings)
    return weather, findings


def _against_stations(
    weather: pd.DataFrame, daily: pd.DataFrame, network: Network, limits: StationLimits, findings: list[Finding]
) -> None:
    """Set aside in place what the stations contradict."""
    days = pd.date_range(weather["date"].min(), weather["date"].max())
    at = days.get_indexer(weather["date"])
    network = replace(network, weather=weather)
    table, heights = _beside(daily, days, network, air_checks.NAME)
    air = air_checks.judge(days, table, heights, network, limits.air)
    for marks, rule in ((air.doubtful, rules.AIR_OF_TWO_ALONE), (air.wrong, rules.WEATHER_AIR_AGAINST_STATIONS)):
        _tell(weather, marks[at, -1], AIR, rule, findings, lambda rows: (
            f"air temperature: {air_checks.words(table[at[rows], -1], air.expected[at[rows], -1])}"
        ))  # fmt: skip
    fallen, heights = _beside(daily, days, network, catch_checks.NAME)
    caught = catch_checks.judge(fallen, heights, limits.catch_factor)
    for marks, rule in (
        (caught.doubtful, rules.PRECIPITATION_OF_TWO_ALONE),
        (caught.wrong, rules.WEATHER_PRECIPITATION_AGAINST_STATIONS),
    ):
        _tell(weather, marks[at, -1], RAIN, rule, findings, lambda rows: (
            f"precipitation: {catch_checks.words(fallen[at[rows]], fallen.shape[1] - 1)}"
        ))  # fmt: skip


def _beside(daily: pd.DataFrame, days: pd.DatetimeIndex, network: Network, name: str) -> tuple[np.ndarray, np.ndarray]:
    """Return daily values of stations and weather table, and elevations.

    The values are (days, records). The weather table's values are the last column. The elevations are in m, (records,).
    """
    wide = daily.pivot_table(index="date", columns="site_id", values=name).reindex(days)
    said, height = network.table(name, days)
    return np.column_stack([wide.to_numpy(float), said]), np.append(network.heights(list(wide.columns)), height)


def _tell(
    weather: pd.DataFrame,
    wrong: np.ndarray,
    names: tuple[str, ...],
    rule: Rule,
    findings: list[Finding],
    evidence: Callable[[np.ndarray], str],
) -> None:
    """Add findings on marked rows, and set the values aside.

    Each stretch of rows gets one finding. If the rule sets aside, the named columns become missing in the table itself.
    """
    rows = np.flatnonzero(wrong)
    if len(rows) == 0:
        return
    dates = weather["date"].to_numpy("datetime64[D]")
    parts = np.split(rows, np.flatnonzero(np.diff(dates[rows]).astype(int) > LINK_DAYS) + 1)
    findings += [
        Finding(
            rule,
            "weather",
            file=str(weather["file"].iloc[part[0]]),
            line=int(weather["line"].iloc[part[0]]),
            start=str(dates[part[0]]),
            end=str(dates[part[-1]]),
            evidence=f"{evidence(part)} ({len(part)} day{'s' if len(part) > 1 else ''})",
        )
        for part in parts
    ]
    if rule.action is Action.SET_ASIDE:
        weather.loc[rows, [name for name in names if name in weather]] = np.nan
