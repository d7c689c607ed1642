"""The sites: where courses and stations stand, checked against the terrain."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Protocol

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import Transformer

from snowtally.inputs.basin_position import in_words, middle_of
from snowtally.inputs.coordinates import in_degrees
from snowtally.inputs.known_tables import SITES
from snowtally.inputs.misplaced import misplaced_sites
from snowtally.inputs.rows import keep_newest
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_table
from snowtally.inputs.usable import Count, too_few
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import Finding
from snowtally.model.rules import files, slips
from snowtally.model.rules import sites as rules
from snowtally.model.rules.rule import Rule


def read_sites(source: Source) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the sites of a table, and the findings.

    Each site has one row: the last row of a site_id counts, in the last file that has one.

    Raises
    ------
    InputError : a file or a required column cannot be read.
    """
    parts, findings = zip(*(_sites_of(path, source) for path in source.files), strict=True)
    rows, repeated = keep_newest(pd.concat(parts, ignore_index=True), ["site_id"], "sites")
    return rows, [*itertools.chain.from_iterable(findings), *repeated]


def _sites_of(path: Path, source: Source) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the usable sites of one file, and the findings."""
    rows, findings = read_table(path, SITES, source)
    crs = source.format_of(path).crs
    rows["kind"] = rows["kind"].str.casefold()
    placed = rows if crs is None else in_degrees(rows, crs)
    wrong = (
        ~rows["kind"].isin(["course", "station"])
        | rows["site_id"].eq("")
        | placed[["longitude", "latitude"]].isna().any(axis=1)
    )
    findings += [
        _finding(row, rules.UNUSABLE_SITE, f"kind '{row.kind}', longitude {row.longitude}, latitude {row.latitude}")
        for row in rows[wrong].itertuples()
    ]
    if len(rows) and wrong.all() and not any(one.rule in (files.NO_USABLE_ROW, files.EMPTY_FILE) for one in findings):
        findings += too_few("sites", str(path), Count(len(rows), 0), source.least_share)
    return placed[~wrong], findings


def sites_on_grid(
    sites: pd.DataFrame, grid: BasinGrid, terrain: xr.Dataset, most_difference_m: float
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return the sites on the grid, and the findings.

    Each site gets x, y, row, column, inside, and the terrain's elevation (`terrain_m`). A site off the grid, or where
    the terrain has no height, is left out with a finding.

    Parameters
    ----------
    sites : as `read_sites` gives them.
    terrain : elevation (m) and inside_fraction on (y, x) of `grid`, which covers the basin and its margin.
    most_difference_m : a stated elevation further than this from the terrain's is a finding; the site is used where its
        coordinates put it, since coordinates are what ties it to the map.
    """
    x, y = to_grid(sites, grid)
    row, column = grid.rows_columns(x, y)
    placed = sites.assign(x=x, y=y, row=row, column=column)
    on_grid = row >= 0
    ground = np.where(on_grid, terrain["elevation"].to_numpy()[row, column], np.nan)
    on_grid &= np.isfinite(ground)
    findings = [
        _finding(site, rules.OUTSIDE_THE_MARGIN, f"longitude {site.longitude}, latitude {site.latitude}")
        for site in placed[~on_grid].itertuples()
    ]
    findings += misplaced_sites(placed[~on_grid], grid, terrain, most_difference_m)
    placed = placed.assign(
        terrain_m=ground, inside=np.where(on_grid, terrain["inside_fraction"].to_numpy()[row, column] > 0, False)
    )[on_grid].reset_index(drop=True)
    if placed.empty:
        said = "the sites table holds no usable site"
        if len(sites):
            basin = in_words(grid.longitude_deg, grid.latitude_deg)
            said = f"no site stands within the basin's margin: they lie around {middle_of(sites)}, the basin around {basin}"
        findings.append(Finding(rules.NO_SITE, detail=rules.NO_SITE.says(what=said)))
    off = (placed["elevation_m"] - placed["terrain_m"]).abs() > most_difference_m
    findings += _doubted_terrain(placed, off)
    findings += [
        _finding(
            site,
            rules.ELEVATION_AGAINST_TERRAIN,
            f"stated {site.elevation_m:.0f} m, terrain {site.terrain_m:.0f} m",
        )
        for site in placed[off].itertuples()
    ]
    return placed, findings


def to_grid(sites: pd.DataFrame, grid: BasinGrid) -> tuple[np.ndarray, np.ndarray]:
    """Return the x and y of sites on a grid, m, infinite where its projection has none."""
    turned = Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    return turned.transform(sites["longitude"].to_numpy(), sites["latitude"].to_numpy())


LEAST_STATED = 3
"""Of fewer stated elevations most may be off by slips of their own."""

FEET_IN_METRE, WITHIN, MOSTLY = 1 / 0.3048, 0.05, 0.75
"""Feet in a metre, how near to it the ratio of two heights must be, and of what share of them (chosen: a cell's relief is some per cent
of its height)."""


def _doubted_terrain(placed: pd.DataFrame, off: pd.Series) -> list[Finding]:
    """Return a finding where stated elevations are in another unit, or most contradict the terrain.

    Then it is the terrain that is wrong.
    """
    stated = placed[placed["elevation_m"].notna()]
    ratio = stated["terrain_m"] / stated["elevation_m"].where(stated["elevation_m"] > 0)
    for rule, feet in ((slips.TERRAIN_IN_FEET, ratio), (slips.SITES_IN_FEET, 1.0 / ratio)):
        share = ((feet / FEET_IN_METRE - 1.0).abs() <= WITHIN).mean()
        if len(stated) > 1 and share >= MOSTLY and off.any():
            evidence = f"the terrain lies {ratio.median():.2f} times as high as {len(stated)} stated elevations"
            return [Finding(rule, evidence=evidence)]
    if len(stated) < LEAST_STATED or off.sum() <= len(stated) / 2:
        return []
    differences = (placed["terrain_m"] - placed["elevation_m"])[off]
    return [
        Finding(
            rules.TERRAIN_AGAINST_SITES,
            evidence=f"{int(off.sum())} of {len(stated)} stated elevations are off, in the middle the terrain lies {differences.median():+.0f} m from them",
        )
    ]


def _finding(site: _Row, rule: Rule, evidence: str) -> Finding:
    return Finding(rule, file=site.file, line=site.line, site_id=str(site.site_id), evidence=evidence)


class _Row(Protocol):
    file: str
    line: int
    site_id: str


def by_site(sites: pd.DataFrame) -> pd.DataFrame:
    """Return sites on the grid by site_id.

    `elevation_m` is the terrain's, `stated_m` the table's.
    """
    return sites.set_index("site_id").rename(columns={"elevation_m": "stated_m", "terrain_m": "elevation_m"})
