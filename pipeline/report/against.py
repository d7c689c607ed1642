"""Totals in per cent of normal and of the archive's earlier seasons, as the tables of zones and bands show them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from snowtally.report.day_tables import basin_normal, of_normal
from snowtally.report.earlier import of_earlier_mean


@dataclass(frozen=True)
class Against:
    """Rows of a table with `per_cent` (of normal) and `earlier_per_cent`; `columns` names those that any row has."""

    rows: list[dict[str, Any]]
    columns: list[str]


def against(totals: pd.DataFrame, earlier: pd.DataFrame, normals: pd.DataFrame | None) -> Against:
    """Return totals of a day in per cent of normal and of earlier seasons.

    Parameters
    ----------
    totals : rows of one level. earlier : the totals of the calendar day in earlier seasons, of all levels.
    normals : rows of `normals.csv`; None without normals. Bands have none.
    """
    whole = basin_normal(normals)
    known = of_normal(normals, "zone") | ({"": whole["per_cent"]} if whole else {})
    shown = totals.assign(
        per_cent=[
            math.nan if level == "band" else known.get(zone, math.nan)
            for level, zone in zip(totals["level"], totals["zone_id"].fillna(""), strict=True)
        ],
        earlier_per_cent=of_earlier_mean(totals, earlier),
    )
    columns = [name for name in ("per_cent", "earlier_per_cent") if shown[name].notna().any()]
    return Against(shown.to_dict("records"), columns)
