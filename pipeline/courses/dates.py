"""The days on course sheets: of what day a sample tells, and sheets whose day cannot be right."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from snowtally.courses.findings import row_findings
from snowtally.model.problems import Finding
from snowtally.model.rules import courses as rules

FIRST_YEAR, LAST_YEAR = 1900, 2199
"""Years in which a course can have been surveyed: regular courses began after 1900 (common practice, no source); a year beyond
is a slip of the pen. The clock is not asked: a night gives the same findings whenever it is run."""


def season_samples(
    samples: pd.DataFrame, season: tuple[dt.date, dt.date], most_days: float
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the samples of the season so far, and findings.

    A finding names a sample whose date is impossible, or wrongly puts it out of the season.

    Parameters
    ----------
    samples : one row a sample point: site_id, date, nominal_date, file, line and the rest of the sheet.
    season : first day of the season and the day of the estimate.
    most_days : a nominal date further from the true one contradicts it.

    Notes
    -----
    Rows of other seasons and of later days are left out without a finding, unless their nominal date says that they
    belong here.
    """
    start, end = (pd.Timestamp(day) for day in season)
    date, nominal = samples["date"], samples["nominal_date"]
    impossible = (date.dt.year < FIRST_YEAR) | (date.dt.year > LAST_YEAR)
    findings = row_findings(
        samples,
        impossible,
        rules.IMPOSSIBLE_DATE,
        date.map("date {:%Y-%m-%d}".format),
        rules.IMPOSSIBLE_DATE.says(first=FIRST_YEAR, last=LAST_YEAR),
    )
    belongs = (nominal >= start) & (nominal <= end) & ((date - nominal).abs() > pd.Timedelta(days=most_days))
    said = said_dates(samples)
    findings += row_findings(samples, belongs & (date > end) & ~impossible, rules.FUTURE_DATE, said)
    findings += row_findings(samples, belongs & (date < start) & ~impossible, rules.DATE_BEFORE_SEASON, said)
    return samples[~impossible & (date >= start) & (date <= end)].reset_index(drop=True), findings


def said_dates(samples: pd.DataFrame) -> pd.Series:
    """Return the dates of each sample in words."""
    words = [
        f"date {date:%Y-%m-%d}, nominal date {'not given' if pd.isna(nominal) else nominal.date()}"
        for date, nominal in zip(samples["date"], samples["nominal_date"], strict=True)
    ]
    return pd.Series(words, samples.index, dtype=str)
