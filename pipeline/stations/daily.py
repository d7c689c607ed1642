"""Station readings to local days: the day's mean of what was accepted, precipitation summed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules.stations import SILENT_STATION
from snowtally.stations.series import READ, StationSeries


def daily_values(records: pd.DataFrame) -> pd.DataFrame:
    """Return one row a station and local day that has any reading.

    Parameters
    ----------
    records : checked readings: site_id, time, date, swe_mm, depth_m, air_temperature_c, precipitation_mm,
        precipitation_total_mm, file, line; set-aside readings missing.

    Returns
    -------
    DataFrame : site_id, date (datetime64[s]), swe_mm, depth_m, air_temperature_c (means of the day's accepted readings) and
        precipitation_mm (sum of the day; missing where no gauge reported). A gap stays a gap.
    """
    series = StationSeries(records)
    means = {name: series.day_means(name) for name in READ}
    days = (series.first_day + series.day_number).astype("datetime64[s]")
    return pd.DataFrame(
        {
            "site_id": pd.Series(series.names, dtype=str).to_numpy()[series.day_site],
            "date": days,
            # A sensor's zero wanders by some mm about nothing; there is no less than no snow.
            "swe_mm": np.maximum(means["swe_mm"], 0.0),
            "depth_m": np.maximum(means["depth_m"], 0.0),
            "air_temperature_c": means["air_temperature_c"],
            "precipitation_mm": series.precipitation[series.day_number, series.day_site],
        }
    ).astype({"site_id": str})


def silent_stations(
    records: pd.DataFrame, stations: pd.DataFrame, date: pd.Timestamp, most_days: float
) -> list[Finding]:
    """Return a finding for each station without recent snow readings.

    A station in service is silent after more than `most_days` days without a reading of SWE or depth. A station that
    has no such reading is silent from the day on which it went into service. A station that reports, but neither SWE nor
    depth ever, is a weather station and gets no finding.

    Parameters
    ----------
    records : station readings up to the date: site_id, date, swe_mm, depth_m; also those of earlier seasons, so that a
        station is not silent in the first days of a season.
    stations : rows of the sites table with kind station: site_id, since, until, file, line.
    date : the day asked for.
    most_days : days of silence allowed.
    """
    snow = records[records[["swe_mm", "depth_m"]].notna().any(axis=1)]
    last_days = snow.groupby("site_id")["date"].max()
    weather_alone = set(records["site_id"]) - set(last_days.index)
    stations = stations[~stations["site_id"].isin(weather_alone)]
    findings = []
    for site in stations.itertuples():
        started = pd.isna(site.since) or site.since <= date
        ended = not pd.isna(site.until) and site.until < date
        last = last_days.get(site.site_id)
        # A station without any such value is silent from the day on which it went into service.
        began = last if last is not None else site.since
        days = np.inf if began is None or pd.isna(began) else (date - began).days
        if started and not ended and days > most_days:
            since = (
                "no SWE or depth yet"
                if last is None
                else f"last SWE or depth on {last.date()}, more than {most_days:g} days ago"
            )
            findings.append(
                Finding(
                    SILENT_STATION,
                    file=site.file,
                    line=site.line,
                    site_id=site.site_id,
                    start="" if last is None else str(last.date()),
                    end=str(date.date()),
                    evidence=since,
                )
            )
    return findings
