"""Overrides: what an analyst decided by hand about the readings, with who, when and why."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from snowtally.inputs.known_tables import OVERRIDES
from snowtally.inputs.rows import without_lines
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import Finding
from snowtally.model.rules import sites as rules

ACTIONS = ("set aside", "value", "off")

VARIABLES = ("swe_mm", "depth_cm", "air_temperature_c", "precipitation_mm")
"""As in the header of the stations table, so that a value carries its unit; empty means all."""


def read_overrides(
    source: Source, utc_offset_hours: float, span: tuple[dt.date, dt.date]
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the overrides whose period touches a span of days, and the findings.

    The period alone decides: an override written long after the days corrects them too, since a rerun is made for exactly that. A
    row whose period cannot be read is reported with every day.

    Parameters
    ----------
    span : first day of the season and the day asked for.

    Returns
    -------
    rows : site_id; first, last (UTC, datetime64[s], both inclusive; last missing where the override has no end yet); variable
        (as in `VARIABLES`, empty for all); action; value (in the variable's unit, missing but for action value); who; when
        (datetime64[s]); why; file; line. Sorted by site, first instant and line.
    findings : rows set aside.
    """
    rows, findings = read_tables(source, OVERRIDES)
    rows["first"] = _instants(rows["start_text"], utc_offset_hours, end=False)
    rows["last"] = _instants(rows["end_text"], utc_offset_hours, end=True)
    elsewhere = ~_touches(rows, span, utc_offset_hours)
    findings = without_lines(findings, rows[elsewhere])
    rows = rows[~elsewhere].reset_index(drop=True)
    for name in ("variable", "action"):
        rows[name] = rows[name].str.strip().str.casefold()
    rows["variable"] = rows["variable"].replace("all", "")
    wrong = _wrong(rows)
    findings += [
        Finding(
            rules.OVERRIDE_ROW_NOT_FOLLOWED,
            file=row.file,
            line=row.line,
            site_id=row.site_id,
            start=row.start_text,
            end=row.end_text,
            evidence=why,
        )
        for row, why in zip(rows.itertuples(), wrong, strict=True)
        if why
    ]
    followed = rows[wrong == ""].drop(columns=["start_text", "end_text"])
    return followed.sort_values(["site_id", "first", "file", "line"], kind="stable", ignore_index=True), findings


def _instants(text: pd.Series, utc_offset_hours: float, *, end: bool) -> np.ndarray:
    """Return times as UTC instants.

    A bare date is the first or the last second of that local day.
    """
    offset = np.timedelta64(round(utc_offset_hours * 3600), "s")
    bare = text.str.fullmatch(r"\d{4}-\d{2}-\d{2}")
    days = pd.to_datetime(text.where(bare), format="%Y-%m-%d", errors="coerce").to_numpy("datetime64[s]")
    whole = np.timedelta64(86399 if end else 0, "s")
    with_offset = text.str.contains(r"(?:Z|[+-]\d{2}:?\d{2})$", regex=True) & ~bare
    instants = pd.to_datetime(text.where(with_offset), format="ISO8601", errors="coerce", utc=True).dt.tz_localize(None)
    return np.where(bare, days - offset + whole, instants.to_numpy("datetime64[s]"))


def _wrong(rows: pd.DataFrame) -> np.ndarray:
    """Return for each row why it cannot be followed, empty where it can."""
    why = np.full(len(rows), "", dtype=object)
    blank = {name: rows[name].str.strip().eq("") for name in ("site_id", "who", "why")}
    times = "a date such as 2031-03-01 or a time with an offset"
    for wrong, words in (
        (rows["first"].isna(), f"start must be {times}"),
        (rows["last"].isna() & rows["end_text"].ne(""), f"end must be {times}, or blank for until further notice"),
        (rows["last"].notna() & (rows["last"] < rows["first"]), "end lies before start"),
        (~rows["action"].isin(ACTIONS), f"action must be one of: {', '.join(ACTIONS)}"),
        (
            ~rows["variable"].isin(("", *VARIABLES)),
            f"variable must be one of: {', '.join(VARIABLES)}, or blank for all",
        ),
        (
            rows["action"].eq("off") & rows["variable"].ne(""),
            "off switches the whole station off: leave variable blank",
        ),
        (rows["action"].eq("value") & rows["variable"].eq(""), "a value needs the variable it is for"),
        (rows["action"].eq("value") & rows["value"].isna(), "action value needs a value"),
        (rows["action"].eq("value") & rows["last"].isna(), "a value needs an end"),
        (blank["site_id"] | blank["who"] | blank["why"] | rows["when"].isna(), "site_id, who, when and why are needed"),
    ):
        why[wrong.to_numpy(bool) & (why == "")] = words
    return why


def _touches(rows: pd.DataFrame, span: tuple[dt.date, dt.date], utc_offset_hours: float) -> pd.Series:
    """Return which rows' periods touch the days.

    Those whose start or end cannot be read count as touching.
    """
    offset = np.timedelta64(round(utc_offset_hours * 3600), "s")
    begin = np.datetime64(span[0], "s") - offset
    end = np.datetime64(span[1], "s") + np.timedelta64(1, "D") - offset
    return ~((rows["first"] >= end) | (rows["last"] < begin))
