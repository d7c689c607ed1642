"""Course sheets that come more than once: rows written twice, and whole sheets sent again with corrections."""

from __future__ import annotations

import pandas as pd

from snowtally.courses.findings import row_findings, sheet_finding
from snowtally.model.problems import Finding
from snowtally.model.rules import courses as rules

LEAST_AGAIN = 2
"""A sheet counts as sent again when at least so many of its points, and half of them, come again; less is a row written twice."""


def superseded(samples: pd.DataFrame) -> tuple[pd.Series, list[Finding]]:
    """Return which samples a later row or sheet replaces, and the findings.

    Parameters
    ----------
    samples : site_id, date, point and the rest of the sheet, file by file in the order of their reading; `used` marks
        the rows with a value: only such a row can replace another.

    Notes
    -----
    A sheet sent again replaces the whole older sheet of that course and day. Points that it leaves out are replaced
    too: leaving out a point is a correction. A second file with other points of the same day is the rest of the sheet
    and replaces nothing.
    """
    stated = samples[samples["used"]].assign(name=lambda s: s["point"].map(_plain))
    gone = pd.Series(data=False, index=samples.index)
    findings: list[Finding] = []
    repeats = stated.duplicated(["site_id", "date", "name"], keep=False)
    several = repeats.groupby([stated["site_id"], stated["date"]]).transform("any")
    for _, visit in stated[several].groupby(["site_id", "date"], sort=True):
        sheets = _sheets(visit)
        for number, sheet in enumerate(sheets):
            for later in sheets[number + 1 :]:
                again = _again(sheet, later)
                if again.sum() >= max(LEAST_AGAIN, len(sheet) / 2):
                    gone[sheet.index] = True
                    findings.append(_sent_again(sheet, later))
                    break
                twice = again & ~gone[sheet.index]
                gone[sheet.index[twice]] = True
                findings += row_findings(sheet, twice, rules.POINT_TWICE, "point " + sheet["point"])
    return gone, findings


def _plain(point: str) -> str:
    """Return a point's name in its plain form.

    07, ' 7' and 7 are one point.

    >>> _plain(" 07"), _plain("a3 "), _plain("00")
    ('7', 'A3', '0')
    """
    name = point.strip().upper()
    return name.lstrip("0") or name[-1:]


def _sheets(visit: pd.DataFrame) -> list[pd.DataFrame]:
    """Return a day's rows of one course, sheet by sheet.

    Each file begins a sheet. A new sheet also begins where points repeat.
    """
    order = visit["file"].map({file: number for number, file in enumerate(visit["file"].unique())})
    time = visit.groupby(["file", "name"]).cumcount().where(visit["name"].ne(""), 0)
    for _, nameless in visit[visit["name"].eq("")].groupby("file"):
        half = len(nameless) // 2
        if _said_twice(nameless):
            time[nameless.index[half:]] = 1
    return [sheet for _, sheet in visit.groupby([order, time], sort=True)]


def _said_twice(nameless: pd.DataFrame) -> bool:
    """Return whether the second half of nameless rows repeats the first.

    The halves must be equal line by line. Two equal rows alone are two points alike, in thin snow even many. Only a
    whole sheet in the same order is the sheet again.
    """
    half = len(nameless) // 2
    said = _said(nameless)
    return (
        len(said) % 2 == 0 and half >= LEAST_AGAIN and said[:half] == said[half:] and len(set(said[:half])) > half / 2
    )


def _said(rows: pd.DataFrame) -> list[str]:
    return [str(tuple(row)) for row in rows.drop(columns=["file", "line", "name"]).itertuples(index=False)]


def _again(sheet: pd.DataFrame, later: pd.DataFrame) -> pd.Series:
    """Return which rows of a sheet a later one repeats.

    Rows without a name are repeated if the later sheet has such rows too: it is the same walk again.
    """
    named = sheet["name"].ne("")
    return sheet["name"].isin(later["name"]) & named | ~named & later["name"].eq("").any()


def _sent_again(sheet: pd.DataFrame, later: pd.DataFrame) -> Finding:
    where = f"{later['file'].iloc[0]}, line {later['line'].min()}"
    return sheet_finding(sheet, rules.SHEET_SENT_AGAIN, f"again in {where}, with {len(later)} rows")
