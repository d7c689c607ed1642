"""Two revisions side by side: what they were made from, their totals, the map of their difference, and the sites."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.archive.revisions import Revision, RevisionId, asked_revision
from snowtally.inspection.change_error import DatedTotals, change
from snowtally.publishing.changes import changed_values, changes
from snowtally.reading import find_revision, load_record, open_day, read_sites, revision_totals

_LEVEL_KEYS = ["level", "zone_id", "band_low_m", "band_high_m"]
_FIGURES = [
    "swe_mean_mm",
    "swe_se_mm",
    "volume_m3",
    "volume_se_m3",
    "depth_mean_m",
    "density_mean_kg_m3",
    "snow_area_km2",
]


@dataclass(frozen=True)
class Side:
    """One of the two revisions: its archive, its folder and its record."""

    root: Path
    revision: Revision
    record: dict[str, Any]

    @property
    def name(self) -> str:
        """Date and number, as they are asked for."""
        return str(self.revision.id)


@dataclass(frozen=True)
class Comparison:
    """What differs from revision `a` to revision `b`.

    Parameters
    ----------
    a, b : the revisions.
    files : input files that differ: role, path, was, is (sha256, None where there is none).
    changes : settings, code, rows and grids that differ, as `snowtally.publishing.changes` tells them.
    models : parameters that differ: key, was, is.
    totals : one row a level, zone and band: the figures as `_a` and `_b`, and `change_mm`, `change_m3` with their standard
        errors `change_mm_se`, `change_m3_se`. The basin's is that of `change`: a record has the parts of its error alone.
        In zones and bands errors are taken to be as much alike as in the basin.
    swe_change_mm : difference of the maps (y, x), mm, missing where one is; None where the grids do not meet.
    no_map : why there is none, empty where there is one.
    sites : by site what it said and the map says there in both, and by how much the map moved, most first.
    """

    a: Side
    b: Side
    files: list[dict[str, Any]]
    changes: dict[str, Any]
    models: list[dict[str, Any]]
    totals: pd.DataFrame
    swe_change_mm: xr.DataArray | None
    no_map: str
    sites: pd.DataFrame

    @property
    def names(self) -> tuple[str, str]:
        """What the two are called: of two archives by the folder too, since their dates and numbers may be the same."""
        if self.a.root == self.b.root:
            return self.a.name, self.b.name
        return self.a.name, f"{self.b.name} in {self.b.root.name}"


def find_side(root: Path, basin: str, asked: str) -> Side:
    """Return the revision that "2031-03-01" (the standing one) or "2031-03-01@2" asks for. Raises ArchiveError."""
    wanted = asked_revision(asked)
    revision = (
        find_revision(root, basin, wanted.date, wanted.number)
        if isinstance(wanted, RevisionId)
        else find_revision(root, basin, wanted)
    )
    return Side(root, revision, load_record(revision.path))


def compare(basin: str, a: Side, b: Side) -> Comparison:
    """Return what differs from `a` to `b`. Raises ArchiveError when one of them cannot be read."""
    difference, no_map = _map(basin, a, b)
    return Comparison(
        a,
        b,
        files=_files(a.record, b.record),
        changes=changes((a.root, b.root), basin, a.record, b.record),
        models=changed_values(a.record["models"], b.record["models"]),
        totals=_totals(a, b),
        swe_change_mm=difference,
        no_map=no_map,
        sites=_sites(basin, a, b),
    )


def _files(was: dict[str, Any], now: dict[str, Any]) -> list[dict[str, Any]]:
    old, new = ({(f["role"], f["path"]): f["sha256"] for f in record["inputs"]} for record in (was, now))
    keys = sorted(old.keys() | new.keys())
    return [
        {"role": role, "path": path, "was": old.get((role, path)), "is": new.get((role, path))}
        for role, path in keys
        if old.get((role, path)) != new.get((role, path))
    ]


def _totals(a: Side, b: Side) -> pd.DataFrame:
    one, other = (DatedTotals(side.revision, side.record, revision_totals(side.revision.path)) for side in (a, b))
    # A zone or band that only one of them has stays, with its figures missing on the other side.
    columns = _LEVEL_KEYS + _FIGURES
    both = one.totals[columns].merge(other.totals[columns], "outer", _LEVEL_KEYS, suffixes=("_a", "_b"))
    # Of the error that there would be if the two had nothing in common.
    whole = float(np.hypot(one.whole["volume_se_m3"], other.whole["volume_se_m3"]))
    apart = change(other, one).se_m3 / whole if whole else 0.0
    for changed, figure, se in (("change_mm", "swe_mean_mm", "swe_se_mm"), ("change_m3", "volume_m3", "volume_se_m3")):
        both[changed] = both[f"{figure}_b"] - both[f"{figure}_a"]
        both[f"{changed}_se"] = apart * np.hypot(both[f"{se}_a"], both[f"{se}_b"])
    order = {level: number for number, level in enumerate(("basin", "zone", "band", "zone_band"))}
    return both.sort_values(
        _LEVEL_KEYS, key=lambda c: c.map(order) if c.name == "level" else c.fillna(-np.inf if c.dtype == float else ""),
        kind="stable", ignore_index=True,
    )  # fmt: skip


def _sites(basin: str, a: Side, b: Side) -> pd.DataFrame:
    names = {"swe_mm": "said", "estimate_mm": "estimate", "used": "used"}
    one, other = (
        read_sites(side.root, basin, side.revision.date, side.revision.number)[["site_id", *names]].rename(
            columns=names
        )
        for side in (a, b)
    )
    both = one.merge(other, on="site_id", how="outer", suffixes=("_a", "_b"))
    both["said_change_mm"] = both["said_b"] - both["said_a"]
    both["estimate_change_mm"] = both["estimate_b"] - both["estimate_a"]
    both = both.rename(columns={f"{w}_{s}": f"{w}_{s}_mm" for w in ("said", "estimate") for s in "ab"})
    moved = both["estimate_change_mm"].abs().fillna(-1.0)
    return both.iloc[np.lexsort((both["site_id"], -moved))].reset_index(drop=True)


def _map(basin: str, a: Side, b: Side) -> tuple[xr.DataArray | None, str]:
    with (
        open_day(a.root, basin, a.revision.date, a.revision.number) as one,
        open_day(b.root, basin, b.revision.date, b.revision.number) as other,
    ):
        old, new = (_plain(side) for side in (one, other))
        if old.attrs["crs_wkt"] != new.attrs["crs_wkt"]:
            return None, "the two lie in different coordinate systems"
        # Centres are whole multiples of half a cell: equal cells have equal coordinates to the bit.
        shared = xr.align(old, new, join="inner")
        if old.attrs["cell_m"] != new.attrs["cell_m"] or 0 in shared[0].shape:
            return None, "the two have no cells in common: cell width or place of the grid differ"
        difference = shared[1] - shared[0]
    return difference.assign_attrs(old.attrs, units="mm", long_name=f"SWE of {b.name} less {a.name}"), ""


def _plain(day: xr.Dataset) -> xr.DataArray:
    """Return a day's SWE on (y, x). Its attributes are the coordinate system and the cell width, m."""
    swe = day["swe"].load().reset_coords(drop=True)
    cell_m = float(day["crs"].attrs["GeoTransform"].split()[1])
    return swe.assign_attrs(crs_wkt=day["crs"].attrs["spatial_ref"], cell_m=cell_m)
