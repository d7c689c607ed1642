"""What an earlier revision was made from, held against what is read now: rows, sites and columns that are lost, or changed massively.

Rows are compared by what they are about (site and day), and only as far as both dates may use them, so that new rows, and single
rows that somebody removed or corrected, are no finding. Grids are compared in `snowtally.gather.coverage_grids`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import pandas as pd

from snowtally.gather.coverage_sides import KINDS, RECENT_DAYS, Before, Compared, by_day, site_of, within
from snowtally.inputs.usable import LEAST_LOST, clearly_fewer
from snowtally.model.problems import Finding
from snowtally.model.rules import before as rules
from snowtally.model.rules.stations import DEAD_CLOCK


@dataclass(frozen=True)
class Limits:
    """What counts as clearly fewer, and as massively changed.

    Parameters
    ----------
    least_share : share of the values of the earlier revision that must be there.
    most_changed : share of them that may be others.
    """

    least_share: float
    most_changed: float


def held_against(
    before: Before, now: Mapping[str, pd.DataFrame], limits: Limits, noticed: list[Finding]
) -> list[Finding]:
    """Return findings on what is lost, or changed massively, since a revision.

    Parameters
    ----------
    now : the rows read now, by table.
    noticed : the findings of reading; what they explain is no finding here.
    """
    findings = []
    for table, was in before.tables.items():
        if table not in KINDS or (KINDS[table].of_season and before.start is None):
            continue
        compared = Compared.of(KINDS[table], _unexplained(was, noticed, table), now.get(table), before)
        if compared is None:
            continue
        about = _About(table, before.name)
        findings += _lost(compared, about, limits, shares=table not in before.redeclared)
        if table not in before.redeclared:
            findings += _changed(compared, about, limits)
    return findings


def _unexplained(was: pd.DataFrame, noticed: list[Finding], table: str) -> pd.DataFrame:
    """Return the rows whose absence no finding of reading explains.

    Rows are left out where such a finding is about their whole file, or where their site has a dead clock.
    """
    of_table = [finding for finding in noticed if finding.table == table]
    files = {finding.file for finding in of_table if finding.rule.degrades and finding.rule.degrades.whole_file}
    sites = {finding.site_id for finding in of_table if finding.rule == DEAD_CLOCK}
    rows = was[~was["file"].astype(str).isin(files)]
    return rows[~rows["site_id"].astype(str).isin(sites)] if sites and "site_id" in rows else rows


# --- findings ---------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _About:
    """A finding's table, and the revision that it is compared with."""

    table: str
    revision: str

    def lost(self, file: str, site_id: str, evidence: str) -> Finding:
        rule = rules.LOST_SITE_ROWS if self.table in rules.LOST_SITE_ROWS.tables else rules.LOST_ROWS
        return Finding(rule, self.table, file, site_id=site_id, evidence=evidence)

    def fewer(self, file: str, site_id: str, evidence: str) -> Finding:
        rule = rules.FEWER_SITE_ROWS if self.table in rules.FEWER_SITE_ROWS.tables else rules.FEWER_ROWS
        return Finding(rule, self.table, file, site_id=site_id, evidence=evidence)

    def changed(self, file: str, site_id: str, evidence: str) -> Finding:
        return Finding(rules.CHANGED_VALUES, self.table, file, site_id=site_id, evidence=evidence)


def _lost(compared: Compared, about: _About, limits: Limits, *, shares: bool) -> list[Finding]:
    """Return findings on what a table has lost.

    Only the widest loss is a finding: the table, a column, a site, or a site's column.

    `shares` : whether the loss of a part of the values is a finding too.
    """
    was, now = compared.counts, compared.counts_now
    file = _several(compared.files)
    if now.to_numpy().sum() == 0:
        rows = int(was.max(axis=1).sum())
        return [about.lost(file, "", f"none of {rows} rows read on {about.revision} is there")] if rows else []
    findings = []
    columns_left = []
    for column in was.columns:
        there, left = int(was[column].sum()), int(now[column].sum())
        if there >= LEAST_LOST and left == 0:
            words = f"{column}: none of {there} values read on {about.revision} is there"
            findings.append(about.lost(file, "", words))
        else:
            columns_left.append(column)
    was, now = was[columns_left], now[columns_left]
    sites = compared.sites
    by_site, by_site_now = (table.groupby(sites).sum() for table in (was, now))
    if compared.kind.site:
        gone = by_site.index[(by_site.sum(axis=1) > 0) & (by_site_now.sum(axis=1) == 0)]
        findings += [
            about.lost(
                compared.files[site],
                str(site),
                f"{_rows(by_site.loc[site])} of {about.revision} are missing now",
            )
            for site in gone
        ]
        present = ~sites.isin(gone)
        was, now, sites = was[present], now[present], sites[present]
        by_site, by_site_now = by_site.drop(gone), by_site_now.drop(gone)
    if not shares:
        return findings
    whole = [c for c in was.columns if clearly_fewer(int(was[c].sum()), int(now[c].sum()), limits.least_share)]
    if whole:
        words = ", ".join(f"{c}: {int(now[c].sum())} of {int(was[c].sum())}" for c in whole)
        findings.append(about.fewer(file, "", f"{words} values of {about.revision}"))
    else:
        findings += _recently(compared, about, limits, (sites.unique(), was.columns))
    if compared.kind.site:
        for site in by_site.index:
            less = [
                c
                for c in was.columns.difference(whole)
                if clearly_fewer(int(by_site.loc[site, c]), int(by_site_now.loc[site, c]), limits.least_share)
            ]
            if less and (not compared.kind.day or _many(was.loc[sites == site, less], now.loc[sites == site, less])):
                words = ", ".join(f"{c}: {int(by_site_now.loc[site, c])} of {int(by_site.loc[site, c])}" for c in less)
                findings.append(about.fewer(compared.files[site], str(site), f"{words} values of {about.revision}"))
    return findings


def _rows(counts: pd.Series) -> str:
    return f"{int(counts.max())} rows"


def _several(files: pd.Series) -> str:
    """Return the file that most sites stood in: a finding names one."""
    return str(files.value_counts().index[0])


def _many(was: pd.DataFrame, now: pd.DataFrame) -> bool:
    """Return whether most values of several days are lost.

    The loss of single rows, or of the rows of one day, does not count: somebody may have taken them out.
    """
    return int(((was > 0) & (now < was / 2)).any(axis=1).sum()) > 1


def _recently(compared: Compared, about: _About, limits: Limits, present: tuple[pd.Index, pd.Index]) -> list[Finding]:
    """Return a finding where a table's last days are lost.

    Most values of several visits or days are lost there. The table's end is cut off, or the table is an old copy.

    `present` : sites and columns that are not lost altogether.
    """
    recent = compared.recent()
    if recent is None:
        return []
    chosen = recent & compared.sites.isin(present[0])
    was, now = (table.loc[chosen, present[1]] for table in (compared.counts, compared.counts_now))
    for column in was.columns:
        there, left = int(was[column].sum()), int(now[column].sum())
        if clearly_fewer(there, left, limits.least_share) and _many(was[[column]], now[[column]]):
            last = compared.counts.index.get_level_values(1).max()
            words = f"{column}: {left} of {there} values of the {RECENT_DAYS} days up to {last:%Y-%m-%d} read on {about.revision}"
            return [about.fewer(_several(compared.files), "", words)]
    return []


def _changed(compared: Compared, about: _About, limits: Limits) -> list[Finding]:
    """Return findings on columns with too many changed values.

    A finding is about the whole table or about one site.
    """
    findings = []
    for column, least in compared.kind.values.items():
        if column not in compared.means:
            continue
        was, now = compared.means[column], compared.means_now[column]
        # Days without snow are the same in any unit, and tell nothing.
        both = was.notna() & now.notna() & ((was.abs() > least) | (now.abs() > least))
        was, now, sites = was[both], now[both], compared.sites[both]
        other = (now - was).abs() > was.abs().mul(compared.kind.relative).clip(lower=least)
        if _too_many(other, limits):
            findings.append(about.changed(_several(compared.files), "", _words(column, was, now, other)))
        elif compared.kind.site and other.any():
            for site in sites[other].unique():
                own = other & (sites == site)
                of_site = other[sites == site]
                if _too_many(of_site, limits):
                    words = _words(column, was[sites == site], now[sites == site], own[sites == site])
                    findings.append(about.changed(compared.files[site], str(site), words))
    return [replace(one, evidence=f"{one.evidence} since {about.revision}") for one in findings]


def _too_many(other: pd.Series, limits: Limits) -> bool:
    return int(other.sum()) >= LEAST_LOST and other.mean() > limits.most_changed


def _words(column: str, was: pd.Series, now: pd.Series, other: pd.Series) -> str:
    of = was[other] != 0
    ratio = (now[other][of] / was[other][of]).median()
    of_numbers = pd.notna(ratio) and column not in ("longitude", "latitude", "kind")
    factor = f", in the middle {ratio:.3g} times as much" if of_numbers else ""
    return f"{column}: {int(other.sum())} of {len(other)} values are others{factor}"


LEAST_EARLIER_SHARE = 0.5
"""Visits of earlier seasons have passed checks, which may judge a few of them otherwise another day: only half of them is clear."""


def earlier_lost(revision: str, table: str, was: pd.DataFrame, now: pd.DataFrame | None, what: str) -> list[Finding]:
    """Return a finding if most rows of earlier seasons are lost.

    The revision used these rows. Otherwise the list is empty.

    Parameters
    ----------
    table : the table that they stand in.
    was, now : rows by site_id and date, with the file they stood in; None where there are none now.
    what : what the rows are, in words, such as "visits".
    """
    key = ["site_id", "date"]
    left = 0 if now is None else len(was[key].astype(str).merge(now[key].astype(str), on=key))
    if not clearly_fewer(len(was), left, LEAST_EARLIER_SHARE):
        return []
    words = f"{left} of {len(was)} {what} of earlier seasons that {revision} used"
    return [_About(table, revision).fewer(_several(was["file"].astype(str)), "", words)]


# --- every row --------------------------------------------------------------------------------------------------------


def net_losses(before: Before, now: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """Return findings where a site has fewer values than before.

    There is one for each table and site, even where a single value is lost.

    A row whose date was corrected is lost on one day and new on another. Nothing is lost where as many values came as
    went.
    """
    findings = []
    for table, was in before.tables.items():
        kind = KINDS.get(table)
        if kind is None or (kind.of_season and before.start is None):
            continue
        about, later = _About(table, before.name), now.get(table)
        there = within(was, kind, before)
        later = there.iloc[:0] if later is None else within(later, kind, before, later_issues=True)
        counts, counts_now = (by_day(rows, kind)[0].groupby(level=0).sum() for rows in (there, later))
        lost = counts - counts_now.reindex(index=counts.index, columns=counts.columns).fillna(0)
        files = there["file"].astype(str).groupby(site_of(there, kind)).first()
        for site in counts.index[(lost > 0).any(axis=1)]:
            column = lost.loc[site].idxmax()
            words = f"{column}: {int(lost.loc[site, column])} of {int(counts.loc[site, column])} values of {about.revision} are missing now"
            findings.append(about.fewer(files[site], str(site), words))
    return findings
