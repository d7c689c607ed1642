"""What the readers of all tables do with canonical rows: what belongs to a date, and which of two rows counts."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules
from snowtally.model.rules.rule import Rule


def dated_outside(rows: pd.DataFrame, season: tuple[dt.date, dt.date]) -> pd.Series:
    """Return which rows are dated outside some days.

    Rows without a date are not.
    """
    first, last = (pd.Timestamp(day) for day in season)
    return (rows["date"] < first) | (rows["date"] > last)


def without_lines(findings: list[Finding], rows: pd.DataFrame) -> list[Finding]:
    """Return the findings that are not about any of the rows.

    Several rows may stand in one line; a finding that names its day is about the row of that day.
    """
    if not findings or rows.empty:
        return findings
    lines: dict[tuple[str, int], set[str]] = {}
    for row in rows[rows["line"].isin({finding.line for finding in findings})].itertuples():
        lines.setdefault((row.file, row.line), set()).add(day_text(row))

    def about(finding: Finding) -> bool:
        days = lines.get((finding.file, finding.line))
        return days is not None and (not finding.start or "" in days or finding.start[:10] in days)

    return [finding for finding in findings if not about(finding)]


def local_days(instants_utc: np.ndarray, utc_offset_hours: float) -> np.ndarray:
    """Return the local day (datetime64[D]) of UTC instants by the basin's fixed offset.

    >>> local_days(np.array(["2031-03-01T01:00"], "datetime64[s]"), -2.0)
    array(['2031-02-28'], dtype='datetime64[D]')
    """
    offset = np.timedelta64(round(utc_offset_hours * 3600), "s")
    return (instants_utc.astype("datetime64[s]") + offset).astype("datetime64[D]")


def keep_newest(rows: pd.DataFrame, key: list[str], role: str) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the last row of each key, and the findings.

    Each earlier row of the same key is a finding. A later line of a file, or a later file, is a correction sent again.
    """
    repeated = rows.duplicated(key, keep="last").to_numpy()
    same = rows.groupby(key, sort=False, dropna=False)
    counts_file, counts_line = same["file"].transform("last"), same["line"].transform("last")
    findings = [
        Finding(
            rules.DUPLICATE,
            role,
            row.file,
            row.line,
            str(getattr(row, "site_id", getattr(row, "flight_id", ""))),
            start=day_text(row),
            end=day_text(row),
            evidence=f"same {', '.join(key)} in {counts_file[row.Index]}, line {counts_line[row.Index]}",
        )
        for row in rows[repeated].itertuples()
    ]
    return rows[~repeated].reset_index(drop=True), findings


def rows_set_aside(
    rows: pd.DataFrame, rule: Rule, *, evidence: pd.Series | None = None, detail: str = ""
) -> list[Finding]:
    """Return a finding for each row of a table.

    Something in each of these rows is not used. `evidence` has the same index as the rows.
    """
    return [
        Finding(
            rule,
            file=row.file,
            line=row.line,
            site_id=str(getattr(row, "site_id", "")),
            evidence="" if evidence is None else evidence[row.Index],
            detail=detail,
        )
        for row in rows.itertuples()
    ]


def day_text(row: object) -> str:
    """Return a row's date as text, empty where it has none."""
    day = getattr(row, "date", None)
    return "" if day is None or pd.isna(day) else str(pd.Timestamp(day).date())
