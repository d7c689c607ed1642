"""How a finding on course samples is written down: one a row, or one for a whole sheet."""

from __future__ import annotations

import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules.rule import Rule


def row_findings(
    samples: pd.DataFrame, wrong: pd.Series, rule: Rule, evidence: pd.Series, detail: str = ""
) -> list[Finding]:
    """Return a finding for each sample that is `wrong`."""
    return [
        Finding(
            rule,
            file=row.file,
            line=row.line,
            site_id=row.site_id,
            start=str(row.date.date()),
            end=str(row.date.date()),
            evidence=evidence[row.Index],
            detail=detail,
        )
        for row in samples[wrong].itertuples()
    ]


def sheet_finding(rows: pd.DataFrame, rule: Rule, evidence: str, detail: str = "") -> Finding:
    """Return one finding for all rows of a visit.

    It names the first row, the number of rows and the last line.
    """
    first = rows.iloc[min(range(len(rows)), key=[*zip(rows["file"], rows["line"], strict=True)].__getitem__)]
    many = f"{len(rows)} rows to line {rows['line'].max()}: " if len(rows) > 1 else ""
    return Finding(
        rule,
        file=first["file"],
        line=int(first["line"]),
        site_id=first["site_id"],
        start=str(first["date"].date()),
        end=str(first["date"].date()),
        evidence=many + evidence,
        detail=detail,
    )


def figures(samples: pd.DataFrame) -> pd.Series:
    """Return each sample's depth and SWE in words."""
    return samples["depth_m"].map("depth {:.2f} m, ".format) + samples["swe_mm"].map("SWE {:.0f} mm".format)
