"""The weather table: daily sun and temperature, past days and forecast days alike, each with the day it was said."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from snowtally.inputs.known_tables import WEATHER
from snowtally.inputs.rows import keep_newest, rows_set_aside
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import Finding
from snowtally.model.rules import stations as rules


def read_weather(source: Source) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the weather table, one row a date and issue, and the findings.

    Of two rows the last counts; rows without date or issue are set aside.
    """
    rows, findings = read_tables(source, WEATHER)
    lost = rows["date"].isna() | rows["issued"].isna()
    findings += rows_set_aside(rows[lost], rules.NO_DATE)
    rows, repeated = keep_newest(rows[~lost].reset_index(drop=True), ["date", "issued"], "weather")
    return rows, findings + repeated


def as_issued_by(rows: pd.DataFrame, date: dt.date) -> pd.DataFrame:
    """Return each day's newest row issued by `date`."""
    known = rows[rows["issued"].to_numpy("datetime64[D]") <= pd.Timestamp(date).to_datetime64().astype("datetime64[D]")]
    newest = known.sort_values(["date", "issued"], kind="stable").drop_duplicates("date", keep="last")
    return newest.reset_index(drop=True)


ISSUES_DAYS = 7
"""Days before the newest forecast whose issues show its spread; older ones say little of today's (chosen)."""


def earlier_issues(rows: pd.DataFrame, date: dt.date) -> pd.DataFrame:
    """Return earlier forecasts of each day after `date`.

    Issues of the week before the newest count; what is in `as_issued_by` does not.
    """
    day = pd.Timestamp(date)
    known = rows[(rows["date"] > day) & (rows["issued"] <= day)]
    newest = known.groupby("date")["issued"].transform("max")
    late = known["issued"] >= known["issued"].max() - pd.Timedelta(days=ISSUES_DAYS)
    return known[(known["issued"] < newest) & late].reset_index(drop=True)
