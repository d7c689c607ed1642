"""Whether two readings of a day hold the same measurements: values apart, and rows or columns that one lacks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.gather.day import Readings

CLOSE_DEGREES, CLOSE_M, CLOSE_SHARE = 0.001, 4.0, 0.02
"""Coordinates and heights that count as the same (rounding of minutes and feet), and the share by which a value may differ."""

CLOSE = {
    "swe_mm": 2.0,
    "depth_m": 0.02,
    "air_temperature_c": 0.2,
    "precipitation_total_mm": 2.0,
    "density_kg_m3": 12.0,
    "cores": 0.1,
}
"""What a value of a column may differ by besides: one step of its rounding."""

MOST_APART = 0.02
"""Share of a column's values that may differ without the column being called other: codes for missing among them."""

LEAST_KEPT = 0.98
"""Share of the canonical rows that must be there."""

KEYS = {
    "stations": ["site_id", "time"],
    "courses": ["site_id", "date", "number"],
    "earlier_visits": ["site_id", "date"],
}


@dataclass(frozen=True)
class Difference:
    """One column or table that differs.

    Parameters
    ----------
    what : `table.column`.
    how : with figures.
    lost : it is not there, rather than there with another value.
    """

    what: str
    how: str
    lost: bool = False


def differences(own: Readings, true: Readings, *, daily: bool) -> Iterator[Difference]:
    """Yield what a reading holds otherwise than the canonical one.

    Parameters
    ----------
    daily : stations tell daily values, which belong to their date, whatever the offset.
    """
    same = matched_sites(own.rows["sites"], true.rows["sites"])
    yield from _sites(own.rows["sites"].set_index("site_id"), true.rows["sites"].set_index("site_id"), same)
    for name in KEYS:
        if name in true.rows and len(true.rows[name]):
            one = own.rows.get(name, true.rows[name].iloc[:0])
            yield from _table(
                name,
                _keyed(one.assign(site_id=one["site_id"].map(same)), name, daily),
                _keyed(true.rows[name], name, daily),
            )
    yield from _grids(own, true)


def matched_sites(own: pd.DataFrame, true: pd.DataFrame) -> dict[str, str]:
    """Return by each own site_id the canonical one: the same, or that of the nearest site."""
    out = {}
    for site in own.itertuples():
        apart = np.hypot(true["longitude"] - site.longitude, true["latitude"] - site.latitude)
        out[site.site_id] = (
            site.site_id if site.site_id in set(true["site_id"]) else true["site_id"].iloc[int(apart.argmin())]
        )
    return out


def _sites(own: pd.DataFrame, true: pd.DataFrame, same: dict[str, str]) -> Iterator[Difference]:
    own = own.rename(index=same)
    gone = sorted(set(true.index) - set(own.index))
    if gone:
        yield Difference("sites", f"{', '.join(gone)} not there", lost=True)
    own, true = own[~own.index.duplicated()], true.drop(index=gone)
    own = own.reindex(true.index)
    for column, close in (("longitude", CLOSE_DEGREES), ("latitude", CLOSE_DEGREES), ("elevation_m", CLOSE_M)):
        if column in true and true[column].notna().any():
            given = own[column] if column in own else pd.Series(np.nan, own.index)
            apart = (given - true[column]).abs()
            if given.isna().all():
                yield Difference(f"sites.{column}", "not there", lost=True)
            elif (apart > close).any():
                yield Difference(
                    f"sites.{column}",
                    f"{apart.idxmax()} {given[apart.idxmax()]:g} for {true[column][apart.idxmax()]:g}",
                )
    other = own["kind"] != true["kind"]
    if other.any():
        yield Difference("sites.kind", f"{', '.join(own.index[other])}")


def _keyed(rows: pd.DataFrame, name: str, daily: bool) -> pd.DataFrame:
    """Return rows by what tells them apart; samples of a visit by their depth, since points may have other names."""
    if name == "courses":
        rows = rows.sort_values(["site_id", "date", "depth_m", "swe_mm"])
        rows = rows.assign(number=rows.groupby(["site_id", "date"]).cumcount())
    if name == "stations" and daily:
        rows = rows.assign(time=rows["date"])
    return rows.drop_duplicates(KEYS[name]).set_index(KEYS[name])


def _table(name: str, own: pd.DataFrame, true: pd.DataFrame) -> Iterator[Difference]:
    both = own.index.intersection(true.index)
    if len(both) < LEAST_KEPT * len(true):
        where = "other dates or times" if len(own) > len(both) else "not there"
        yield Difference(
            f"{name}.{KEYS[name][1]}",
            f"{len(true) - len(both)} of {len(true)} rows {where}",
            lost=len(own) <= len(both),
        )
    elif len(own) > 1.02 * len(true):
        yield Difference(name, f"{len(own) - len(true)} rows more")
    for column, close in CLOSE.items():
        if column in true and true[column].notna().any() and len(both):
            given, right = own.loc[both, column] if column in own else pd.Series(np.nan, both), true.loc[both, column]
            known = right.notna()
            if given[known].isna().mean() > MOST_APART:
                yield Difference(f"{name}.{column}", f"{given[known].isna().mean():.0%} missing", lost=True)
            apart = (given - right).abs() > close + CLOSE_SHARE * right.abs()
            if given[~known].notna().mean() > MOST_APART:
                yield Difference(
                    f"{name}.{column}",
                    f"{int(given[~known].notna().sum())} codes read as values, for the checks",
                    lost=True,
                )
            if apart.mean() > MOST_APART:
                yield Difference(f"{name}.{column}", f"mean {given.mean():.3g} for {right.mean():.3g}")


def _grids(own: Readings, true: Readings) -> Iterator[Difference]:
    """Yield grids whose cells differ: the ground, and the depth of flights."""
    flown = [name for name in true.hashes if name.startswith("flight ")]
    mine = [name for name in own.hashes if name.startswith("flight ")]
    if len(mine) < len(flown):
        yield Difference("flights", "not there", lost=True)
    pairs = [("terrain", own.inputs.basin.terrain["elevation"], true.inputs.basin.terrain["elevation"], CLOSE_M)]
    pairs += [
        ("flights.depth", a["depth"], b["depth"], 0.03)
        for a, b in zip(own.inputs.flights, true.inputs.flights, strict=False)
    ]
    for name, given, right, close in pairs:
        # Cells that both know: a raster in degrees ends elsewhere than one on the grid.
        apart = abs(given - right)
        if float(apart.mean()) > close:
            yield Difference(name, f"{float(apart.mean()):.4g} apart in the mean of {int(apart.count())} cells")
