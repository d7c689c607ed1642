"""A table of an earlier revision and the one read now, side by side: counts and means by what the rows are about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from zlib import crc32

import pandas as pd

RECENT_DAYS = 7
"""The last days count by themselves too: they decide the estimate, and are a small share of a season (chosen: a week)."""


@dataclass(frozen=True)
class Kind:
    """How a table's rows are compared.

    Parameters
    ----------
    site, day : columns that say what a row is about; empty where the table has none.
    values : columns, each with the change below which a value counts as the same, in the column's unit; of a text any change counts.
    relative : share of the value below which it does too. Corrections stay below: a unit or a decimal mark does not.
    issued : column of the day on which a row was said, where a table has one row a day of several issues.
    of_season : whether rows of another season are none of this one's.
    """

    site: str
    day: str
    values: Mapping[str, float] = field(default_factory=dict)
    relative: float = 0.1
    issued: str = ""
    of_season: bool = True


KINDS = {
    # A hundredth of a degree is a kilometre: several cells.
    "sites": Kind("site_id", "", {"longitude": 0.01, "latitude": 0.01, "kind": 0.0}, relative=0.0, of_season=False),
    "courses": Kind("site_id", "date", {"swe_mm": 10.0, "depth_m": 0.05}),
    "stations": Kind(
        "site_id",
        "date",
        {
            "swe_mm": 10.0,
            "depth_m": 0.05,
            "air_temperature_c": 2.0,
            "precipitation_mm": 5.0,
            "precipitation_total_mm": 20.0,
        },
    ),
    "weather": Kind(
        "",
        "date",
        {"solar_mj_m2": 2.0, "air_temperature_c": 2.0, "precipitation_mm": 5.0, "elevation_m": 50.0},
        issued="issued",
    ),
    "normals": Kind("site_id", "day", {"swe_mm": 10.0}, of_season=False),
    # Of overrides only how many there are: single ones are written, mended and taken back by analysts.
    "overrides": Kind("", ""),
}
"""The tables that are compared. The smallest changes are about twice what an instrument or a reader is off by (chosen)."""


@dataclass(frozen=True)
class Before:
    """The inputs of a revision that differ now.

    Parameters
    ----------
    name : the revision, such as 2031-04-14@1.
    tables : its rows by table, each with the file they stood in (`file`).
    until : last day that both it and the date asked for may use.
    start : first day of the season of the date asked for; None where the revision is of another one.
    redeclared : tables that the settings read in another way since: their values may well be others.
    """

    name: str
    tables: Mapping[str, pd.DataFrame]
    until: dt.date
    start: dt.date | None
    redeclared: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Compared:
    """Counts and means of a table by site and day, then and now.

    Parameters
    ----------
    kind : how the table is compared.
    counts, counts_now : values of each column by site and day; the same index and columns.
    means, means_now : their means.
    files : by site the file that it stood in.
    """

    kind: Kind
    counts: pd.DataFrame
    counts_now: pd.DataFrame
    means: pd.DataFrame
    means_now: pd.DataFrame
    files: pd.Series

    @classmethod
    def of(cls, kind: Kind, was: pd.DataFrame, now: pd.DataFrame | None, before: Before) -> Compared | None:
        """Return a table of a revision beside the one now.

        The result is None where the revision has no row of it that both dates may use.
        """
        was = within(was, kind, before)
        if was.empty:
            return None
        now = was.iloc[:0] if now is None else within(now, kind, before, later_issues=True)
        counts, means = by_day(was, kind)
        all_now = by_day(now, kind)
        counts_now, means_now = (
            table.reindex(index=counts.index, columns=like.columns)
            for table, like in zip(all_now, (counts, means), strict=True)
        )
        counts_now = counts_now.fillna(0).clip(upper=counts)
        if kind.day == "date":
            counts_now = _with_corrected_dates(counts, counts_now, all_now[0])
        if kind.issued:
            # An older issue of a day is an older copy of the file; of a newer one the values may well be others.
            counts_now = counts_now.mask(means_now["issue"] < means["issue"], 0)
            means_now = means_now.mask(means_now["issue"] != means["issue"])
        files = was["file"].astype(str).groupby(site_of(was, kind)).first()
        return cls(kind, counts, counts_now, means, means_now, files)

    @property
    def sites(self) -> pd.Index:
        """The site of each row."""
        return self.counts.index.get_level_values(0)

    def recent(self) -> pd.Series | None:
        """Return which rows are of the revision's last days.

        These are the `RECENT_DAYS` up to its last day with rows. The result is None where the table has no dates.
        """
        days = self.counts.index.get_level_values(1)
        if self.kind.day != "date":
            return None
        return pd.Series(days > days.max() - pd.Timedelta(days=RECENT_DAYS), self.counts.index)


def site_of(rows: pd.DataFrame, kind: Kind) -> pd.Series:
    """Return the site of each row; empty where the table has none."""
    return rows[kind.site].astype(str) if kind.site else pd.Series("", rows.index)


def within(rows: pd.DataFrame, kind: Kind, before: Before, *, later_issues: bool = False) -> pd.DataFrame:
    """Return the rows that both dates may use.

    Parameters
    ----------
    later_issues : whether rows that were said after both dates stay: they replace what was said before.
    """
    until = pd.Timestamp(before.until)
    if kind.day == "date":
        rows = rows[rows["date"].between(pd.Timestamp(before.start), until)]
    if not kind.issued:
        return rows
    # A row of the last day may be a forecast, which what was measured replaces.
    rows = rows[rows["date"] < until]
    return rows if later_issues else rows[rows[kind.issued] <= until]


def _with_corrected_dates(counts: pd.DataFrame, there: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """Return the remaining counts, where corrected dates are no loss.

    A site's date was corrected where the site lost exactly one day, and has as many values as before. No date counts as
    corrected where this holds for more than `MOST_CORRECTED` of the sites.

    Parameters
    ----------
    counts, there : values by site and day then, and those of them that are there now.
    now : all values of now by site and day.
    """
    sites = counts.index.get_level_values(0)
    lost = (there.sum(axis=1) == 0) & (counts.sum(axis=1) > 0)
    had, has = counts.groupby(level=0).sum(), now.groupby(level=0).sum()
    as_many = (has.reindex(index=had.index, columns=had.columns).fillna(0) >= had).all(axis=1)
    single = lost.groupby(level=0).sum() == 1
    moved = single & as_many
    if moved.sum() > MOST_CORRECTED * len(moved):
        return there
    corrected = lost.to_numpy() & moved.reindex(sites).to_numpy()
    return pd.concat([there[~corrected], counts[corrected]]).reindex(counts.index) if corrected.any() else there


MOST_CORRECTED = 0.5
"""Dates are corrected sheet by sheet: where more than this share of the sites moved, day and month were exchanged (chosen)."""


def _as_numbers(values: pd.Series) -> pd.Series:
    """Return values as numbers that can be compared.

    Numbers stay as they are. Texts become numbers that differ where the texts differ.
    """
    if pd.api.types.is_numeric_dtype(values):
        return values.astype(float)
    # Of no rows the texts would stay texts.
    return values.astype(str).map(lambda text: crc32(text.encode("utf-8", "surrogateescape"))).astype(float)


def by_day(rows: pd.DataFrame, kind: Kind) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return counts and means of values by site and day.

    Both have a column for each compared column of the table. Without any, the column `row` counts the rows. Where rows
    have a day of issue, the means have it too (`issue`).
    """
    day = rows[kind.day] if kind.day else pd.Series("", rows.index)
    there = [name for name in kind.values if name in rows]
    values = pd.DataFrame({name: _as_numbers(rows[name]) for name in there}, rows.index)
    if not there:
        values = pd.DataFrame({"row": 1.0}, rows.index)
    if kind.issued:
        values = values.assign(issue=rows[kind.issued].to_numpy("datetime64[D]").astype(float))
    grouped = values.groupby([site_of(rows, kind).to_numpy(), day.to_numpy()])
    counts, means = grouped.count(), grouped.mean()
    return counts.drop(columns="issue", errors="ignore") if there else counts, means
