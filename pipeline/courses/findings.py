"""How a finding on course samples is written down: one a row, or one for a whole sheet."""

from __future__ import annotations

import pandas as pd

from pipeline.model.problems import Finding


def row_findings(  # noqa: PLR0913  one rule's row of the table of rules
    samples: pd.DataFrame,
    wrong: pd.Series,
    *,
    rule: str,
    severity: str,
    evidence: pd.Series,
    action: str,
    detail: str,
) -> list[Finding]:
    """Return a finding for each sample that is `wrong`."""
    return [
        Finding(
            table="courses",
            file=row.file,
            line=row.line,
            site_id=row.site_id,
            start=str(row.date.date()),
            end=str(row.date.date()),
            rule=rule,
            severity=severity,
            evidence=evidence[row.Index],
            action=action,
            detail=detail,
        )
        for row in samples[wrong].itertuples()
    ]


def sheet_finding(rows: pd.DataFrame, *, rule: str, severity: str, evidence: str, action: str, detail: str) -> Finding:
    """Return one finding for all rows of one course's visit; it stands at the first of them and names the others."""
    first = rows.iloc[min(range(len(rows)), key=[*zip(rows["file"], rows["line"], strict=True)].__getitem__)]
    many = f"{len(rows)} rows to line {rows['line'].max()}: " if len(rows) > 1 else ""
    return Finding(
        table="courses",
        file=first["file"],
        line=int(first["line"]),
        site_id=first["site_id"],
        start=str(first["date"].date()),
        end=str(first["date"].date()),
        rule=rule,
        severity=severity,
        evidence=many + evidence,
        action=action,
        detail=detail,
    )


def figures(samples: pd.DataFrame) -> pd.Series:
    """Return each sample's depth and SWE in words."""
    return samples["depth_m"].map("depth {:.2f} m, ".format) + samples["swe_mm"].map("SWE {:.0f} mm".format)
