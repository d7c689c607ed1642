"""Findings on the inputs as the command line lists them: by site, or in short."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd

from snowtally.gather.day import Readings
from snowtally.model.problems import FINDING_COLUMNS, SEVERITIES, Finding
from snowtally.model.reasons import Reason, together
from snowtally.storage.csv_text import with_originals
from snowtally.storage.paths import local_file

NAMED_SITES = 3
"""Sites named behind a rule on one line; where there are more, the line has their number alone (chosen, so that it stays one)."""


def published_checks(path: Path) -> pd.DataFrame:
    """Return `checks.csv` of a revision: findings on inputs and estimate."""
    texts = dict.fromkeys((name for name in FINDING_COLUMNS if name != "line"), "str")
    return with_originals(pd.read_csv(local_file(path / "checks.csv"), dtype=texts, keep_default_na=False))


def why_degraded(readings: Readings) -> str:
    """Return why a night is degraded, each remedy once with its sites, or with the number of its files."""
    shared: dict[tuple[str, str], list[Finding]] = {}
    for finding in readings.findings:
        if finding.degrades:
            shared.setdefault((finding.rule.name, _reason(finding).of_any_file), []).append(finding)
    return "; ".join(
        f"{rule}{_subjects(group)}: {together([_reason(finding) for finding in group])}"
        for (rule, _), group in shared.items()
    )


def _reason(finding: Finding) -> Reason:
    return Reason(finding.file, finding.detail)


def _subjects(group: list[Finding]) -> str:
    """Return the sites that findings are about, with their figures."""
    about = [
        " ".join(part for part in (finding.site_id, f"({finding.evidence})" if finding.evidence else "") if part)
        for finding in group
    ]
    return f"{' ' * any(about)}{', '.join(filter(None, about))}"


def findings_in_short(checks: pd.DataFrame) -> str:
    """Return how many findings there are of each rule, in one line."""
    if checks.empty:
        return _NONE
    groups = checks.groupby(["severity", "rule", "action"])
    counts = groups["site_id"].agg(n="size", sites=_named).reset_index()
    counts = counts.sort_values(["severity", "n"], key=lambda c: c.map(SEVERITIES) if c.name == "severity" else -c)
    listed = ", ".join(f"{row.n} x {row.rule}{row.sites} ({row.action})" for row in counts.itertuples())
    return f"Findings: {listed}. `snowtally check` tells them by site, checks.csv of the revision holds each."


_NONE = "No findings on the inputs."


def findings_by_site(checks: pd.DataFrame) -> str:
    """Return the findings as lines under the site that they are about."""
    lines: list[str] = []
    for site_id, of_site in by_site(checks).groupby("site_id", sort=False):
        lines.append(f"\n{site_id}" if site_id else "\nOf no single site")
        lines += [line for row in of_site.itertuples() for line in _lines(row)]
    return "\n".join(lines).strip("\n") or _NONE


def _named(site_ids: pd.Series) -> str:
    """Return the sites that a rule is about, where they are few."""
    named = sorted({site_id for site_id in site_ids if site_id})
    return f" {', '.join(named)}" if 0 < len(named) <= NAMED_SITES else ""


def by_site(checks: pd.DataFrame) -> pd.DataFrame:
    """Return one row a site, rule and action, the most serious first; of files that cannot be read one a cause.

    Columns: site_id, table, rule, severity, action, count, start, end (first and last time), and file, line, evidence and detail
    of the worst: the most serious finding of them, the one of the longest time among those.
    """
    ranked = checks.assign(rank=checks["severity"].map(SEVERITIES))
    ranked["first"], ranked["last"] = ranked["start"], ranked["end"].where(ranked["end"] != "", ranked["start"])
    ranked["lasting"] = _days(ranked["last"]) - _days(ranked["first"])
    ranked["cause"] = [_cause(Reason(*said)) for said in zip(ranked["file"], ranked["detail"], strict=True)]
    order = ["rank", "table", "site_id", "rule", "action", "lasting", "start", "file", "line"]
    ranked = ranked.sort_values(order, ascending=[name != "lasting" for name in order], kind="stable")
    rows = [
        {
            **group.iloc[0].to_dict(),
            "count": len(group),
            "start": min((t for t in group["first"] if t), default=""),
            "end": group["last"].max(),
            "detail": together([Reason(*said) for said in zip(group["file"], group["detail"], strict=True)]),
        }
        for _, group in ranked.groupby(["site_id", "table", "rule", "action", "cause"], sort=False)
    ]
    names = [
        "site_id", "table", "rule", "severity", "action", "count", "start", "end", "file", "line", "evidence", "detail",
    ]  # fmt: skip
    merged = pd.DataFrame(rows, columns=[*names, "rank"])
    merged["worst"] = merged.groupby("site_id")["rank"].transform("min")
    merged = merged.sort_values(["worst", "site_id", "rank", "rule", "start"], kind="stable")
    return merged[names].reset_index(drop=True)


def _cause(reason: Reason) -> str:
    """Return what a reason says of any file, empty where it names none: such reasons differ from row to row."""
    return "" if reason.of_any_file == reason.words else reason.of_any_file


def _days(times: pd.Series) -> pd.Series:
    return pd.to_datetime(times.str[:10], format="%Y-%m-%d", errors="coerce").astype("int64")


def _lines(row: Any) -> Iterator[str]:  # noqa: ANN401  a row of itertuples
    """Yield what happened, how often, when and where; then the cure."""
    when = row.start if row.end in ("", row.start) else f"{row.start} to {row.end}"
    file = row.file.rsplit("/", 1)[-1]
    where = f"{file}:{row.line}" if row.line else file
    often = f" x{row.count}" if row.count > 1 else ""
    head = f"  {row.severity}: {row.rule}{often} in {row.table}, {row.action}"
    worst = f"{'worst: ' if row.count > 1 else ''}{row.evidence}" if row.evidence else ""
    yield "  ".join(part for part in (head, when, worst, f"[{where}]") if part)
    if row.detail:
        yield f"      {row.detail}"
