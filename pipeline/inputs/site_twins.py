"""Sites that stand twice in the table, under two names: one place, one series."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Protocol

import numpy as np
import pandas as pd

from snowtally.model.problems import Finding
from snowtally.model.rules import slips as rules

METRES_OF_DEGREE = 111_320.0
"""A degree of latitude, and of longitude at the equator, m (WGS 84, rounded)."""

POSITION_M = 100.0, 2500.0
"""Places nearer than the first are one whatever is stated; places further than the second never are (chosen: a cell, and a hundredth of
a degree each way)."""

LEAST_DAYS, LEAST_VISITS, SAME_SHARE = 10, 2, 0.9
"""Days of a station, or visits of a course, that must be the same, and the share of the common ones (chosen: two instruments agree to
the digit on a day, not on nine days of ten)."""

SAME_SWE_MM, SAME_DEPTH_M = 0.5, 0.005
"""Readings no further apart are one, written with other decimals."""


def sites_used_twice(sites: pd.DataFrame, samples: pd.DataFrame, records: pd.DataFrame) -> list[Finding]:
    """Return a finding for each site whose place and readings are another's before it.

    Parameters
    ----------
    sites : on the grid: site_id, kind, longitude, latitude, x, y (m), file, line.
    samples, records : a season's course samples and station readings: site_id, date, swe_mm, depth_m.
    """
    findings = []
    for kind, rows in {"course": samples, "station": records}.items():
        of_kind = sites[(sites["kind"] == kind) & sites["site_id"].isin(rows["site_id"].unique())]
        close = [pair for pair in _near_pairs(of_kind) if _one_position(*pair)]
        if not close:
            continue
        daily = rows.groupby(["site_id", "date"], observed=True)[["swe_mm", "depth_m"]].mean()
        least = LEAST_DAYS if kind == "station" else LEAST_VISITS
        for first, second in close:
            same = _same_days(daily.loc[first.site_id], daily.loc[second.site_id])
            if same >= least:
                apart = float(np.hypot(first.x - second.x, first.y - second.y))
                findings.append(
                    Finding(
                        rules.SITE_TWICE,
                        file=second.file,
                        line=second.line,
                        site_id=str(second.site_id),
                        evidence=f"{apart:.0f} m from '{first.site_id}', with the same readings on {same} days",
                        detail=rules.SITE_TWICE.says(site_id=second.site_id, other=first.site_id),
                    )
                )
    return findings


class _Site(Protocol):
    site_id: str
    file: str
    line: int
    longitude: float
    latitude: float
    x: float
    y: float


def _near_pairs(sites: pd.DataFrame) -> Iterator[tuple[_Site, _Site]]:
    """Yield the pairs of sites that may be one place, in the order of the table.

    Two hundred sites are 20,000 pairs, of which hardly one is near.
    """
    at = sites[["x", "y"]].to_numpy(float)
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    rows = list(sites.itertuples())
    for first, second in np.argwhere(np.triu(apart <= POSITION_M[1], 1)):
        yield rows[first], rows[second]


def _one_position(a: _Site, b: _Site) -> bool:
    """Return whether two sites stand at one place, as exactly as their coordinates are stated."""
    stated_m = METRES_OF_DEGREE * max(10.0 ** -_decimals(a), 10.0 ** -_decimals(b)) * np.sqrt(2.0)
    return bool(np.hypot(a.x - b.x, a.y - b.y) <= np.clip(stated_m, *POSITION_M))


def _decimals(site: _Site) -> int:
    """Return how many decimals a site's longitude and latitude are stated to."""
    texts = (np.format_float_positional(round(value, 9)) for value in (site.longitude, site.latitude))
    return max(len(text.partition(".")[2]) for text in texts)


def _same_days(first: pd.DataFrame, second: pd.DataFrame) -> int:
    """Return on how many days with snow two sites read the same; 0 where they differ on more than a tenth of them."""
    both = first.join(second.add_suffix("_other"), how="inner")
    for name, least in (("swe_mm", SAME_SWE_MM), ("depth_m", SAME_DEPTH_M)):
        known = both[(both[name] > 0) & (both[f"{name}_other"] > 0)]
        same = (known[name] - known[f"{name}_other"]).abs() <= least
        if len(known) and same.mean() >= SAME_SHARE:
            return int(same.sum())
    return 0
