"""Station records: readings at any step, brought to instants and local days."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.inputs.columns import Column, ColumnSetting, Table, keep_newest, local_days, read_tables
from pipeline.inputs.dead_clock import dead_clocks
from pipeline.problems import Finding

STATIONS = Table(
    "stations",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("time", "time", kind="text", name="time_text", required=True),
        Column("swe", "swe_mm", "mm"),
        Column("depth", "depth_cm", "cm", "depth_m", 0.01),
        Column("air_temperature", "air_temperature_c", "degC"),
        Column("precipitation", "precipitation_mm", "mm"),
        Column("precipitation_total", "precipitation_total_mm", "mm"),
    ),
    expects=(("swe",), ("depth",)),
)

_BARE_DATE = r"^\d{4}-\d{2}-\d{2}$"
_WITH_OFFSET = r"(?:Z|[+-]\d{2}:?\d{2})$"


def read_stations(
    files: list[Path], settings: Mapping[str, ColumnSetting], missing: list[str], utc_offset_hours: float
) -> tuple[pd.DataFrame, list[Finding]]:
    """Read station records.

    Returns
    -------
    rows : `time` (UTC, datetime64[s]), `date` (local day), the readings (mm, m, degrees Celsius), `file` and `line`;
        sorted by site and time, the later row where a site's time stands twice.
    findings : rows without a usable time or site, and repeated rows.
    """
    rows, findings = read_tables(files, STATIONS, settings, missing)
    rows["time"] = station_instants(rows["time_text"], utc_offset_hours)
    lost = rows["time"].isna() | rows["site_id"].eq("")
    findings += [
        Finding(
            table="stations",
            file=row.file,
            line=row.line,
            site_id=str(row.site_id),
            rule="no site or time",
            severity="error",
            evidence=f"time = '{row.time_text[:40]}'",
            action="set aside",
            detail="time must be ISO 8601 with an offset (2031-03-01T06:00-02:00) or a bare date for a daily value",
        )
        for row in rows[lost].itertuples()
    ]
    rows = rows[~lost].drop(columns="time_text")
    rows["date"] = local_days(rows["time"].to_numpy(), utc_offset_hours).astype("datetime64[s]")
    rows, dead = _without_dead_clocks(rows)
    rows, repeated = keep_newest(rows, ["site_id", "time"], "stations")
    return rows.sort_values(["site_id", "time"], kind="stable", ignore_index=True), findings + dead + repeated


def _without_dead_clocks(rows: pd.DataFrame) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the rows without those under a dead clock's times, and the findings."""
    readings = [column.name for column in STATIONS.columns if column.kind == "number"]
    wrong, findings = [], []
    for file, one in rows.groupby("file", sort=False):
        site, names = pd.factorize(one["site_id"])
        seconds = one["time"].to_numpy("datetime64[s]").astype(np.int64)
        for dead in dead_clocks(site, seconds, one[readings].to_numpy(float)):
            wrong.append(one.index[dead.rows])
            findings.append(dead.finding(str(file), one["line"].to_numpy(), str(names[site[dead.rows[0]]])))
    return rows.drop(index=np.concatenate(wrong)) if wrong else rows, findings


def station_instants(text: pd.Series, utc_offset_hours: float) -> np.ndarray:
    """Return times as UTC instants: with a written offset as they stand, a bare date as that day's local noon.

    A time of day without an offset is no instant and comes back missing.
    """
    bare = text.str.fullmatch(_BARE_DATE)
    with_offset = text.str.contains(_WITH_OFFSET, regex=True) & ~bare
    instants = pd.to_datetime(text.where(with_offset), format="ISO8601", errors="coerce", utc=True).dt.tz_localize(None)
    noon = np.timedelta64(round((12 - utc_offset_hours) * 3600), "s")
    days = pd.to_datetime(text.where(bare), format="%Y-%m-%d", errors="coerce")
    return np.where(bare, days.to_numpy("datetime64[s]") + noon, instants.to_numpy("datetime64[s]"))
