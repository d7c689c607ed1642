"""Rows of sites that are not on the map, or were not in service on the day: set aside and told."""

from __future__ import annotations

import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules import sites as rules


def in_service(rows: pd.DataFrame, sites: pd.DataFrame, role: str, findings: list[Finding]) -> pd.DataFrame:
    """Return the rows of known sites that were in service.

    A site must be on the map, and in service on the day of the row. Each site that is left out gets one finding in
    `findings`.
    """
    placed = sites[["since", "until"]].reindex(rows["site_id"])
    unknown = ~rows["site_id"].isin(sites.index).to_numpy()
    date = rows["date"].to_numpy()
    outside = ~unknown & ((date < placed["since"].to_numpy()) | (date > placed["until"].to_numpy()))
    for wrong, rule in ((unknown, rules.UNKNOWN_SITE), (outside, rules.OUT_OF_SERVICE)):
        for site_id, strays in rows[wrong].groupby("site_id", sort=True):
            findings.append(
                Finding(
                    rule,
                    role,
                    file=strays["file"].iloc[0],
                    line=int(strays["line"].iloc[0]),
                    site_id=str(site_id),
                    start=str(strays["date"].min().date()),
                    end=str(strays["date"].max().date()),
                    evidence=f"{len(strays)} rows",
                    detail=rule.says(site_id=site_id),
                )
            )
    return rows[~(unknown | outside)].reset_index(drop=True)
