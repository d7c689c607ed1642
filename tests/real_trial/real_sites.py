"""Sites left out: the map of a night, made without a sixth of the sites, held against what they measured."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from real_records import Records

from snowtally.estimate.day_inputs import Choices, DayInputs
from snowtally.estimate.estimate import map_of_day
from snowtally.estimate.swe_map import published_fields
from snowtally.gather.archived_day import POSITIONS, inputs_from_archived
from snowtally.gather.day import Readings, choices, read_inputs
from snowtally.model.ground import GroundRecord
from snowtally.snow.depth_only import with_depth_only_sites
from snowtally.snow.site_values import site_values

TRAINING_SEASONS = (2007, 2011, 2012, 2014)
TRAINING = ("2007-04-01", "2011-05-01", "2012-04-01", "2014-04-01")
"""Nights that constants may be tuned on; no night of their seasons is among the others."""

SEASONS = tuple(season for season in range(2002, 2017) if season not in TRAINING_SEASONS)
EVERY = tuple(f"{season}-{day}" for season in SEASONS for day in ("03-01", "04-01", "05-01"))
JUDGING = (
    "2003-04-01", "2004-05-01", "2006-04-01", "2008-05-01", "2010-04-01", "2013-03-01", "2015-04-01", "2016-05-01",
)  # fmt: skip
"""Nights that the estimate is judged on: all, and a few that answer in some minutes, drawn to hold each of the three months."""

FOLDS, SEED = 6, 7
"""A sixth of the sites is left out at a time; the seed draws which."""

POINT_SHARE = 0.2
"""Spread of a point about its cell's mean, as a share: 15 to 30 % (common practice, no source). The judge's own, so that the
estimate's does not move the judgement."""

Z80 = 1.2815516
"""Standard normal quantile of 0.9: the published limits hold eight in ten."""

NEAREST_M = 100.0
"""Inverse distance takes no site as nearer than this: course coordinates are rounded to a kilometre."""


@dataclass(frozen=True)
class Night:
    """One night as the pipeline read it, with all sites.

    Parameters
    ----------
    readings : all that the night may use.
    choices : what the settings choose.
    observed : by site_id, outside the basin too: swe_mm, swe_se_mm, age_days, x, y, stated_m.
    """

    readings: Readings
    choices: Choices
    observed: pd.DataFrame


def read_night(records: Records, date: dt.date) -> Night:
    """Return a night with all sites read and checked."""
    readings = read_inputs(records.settings, date, lambda _: None, keep=True)
    ground = readings.inputs.ground
    values = site_values(ground, date)[["swe_mm", "swe_se_mm", "age_days"]]
    observed = ground.sites[["x", "y", "stated_m"]].join(values, how="inner")
    return Night(readings, choices(records.settings), observed)


def folds(site_ids: list[str], count: int = FOLDS, seed: int = SEED) -> list[list[str]]:
    """Return the sites dealt into groups by chance, the same for the same sites.

    >>> folds(["a", "b", "c"], 2) == folds(["c", "a", "b"], 2)
    True
    """
    names = np.random.default_rng(seed).permutation(sorted(site_ids))
    return [list(names[fold::count]) for fold in range(count) if fold < len(names)]


def without(tables: dict[str, pd.DataFrame], site_ids: list[str]) -> dict[str, pd.DataFrame]:
    """Return canonical tables as if the sites had never been: their rows are gone, with the places of these rows."""
    kept = dict(tables)
    for name, table in tables.items():
        if "site_id" in table and f"{name}{POSITIONS}" in tables:
            stays = ~table["site_id"].isin(site_ids).to_numpy()
            for part in (name, f"{name}{POSITIONS}"):
                kept[part] = tables[part][stays].reset_index(drop=True)
    return kept


def inputs_without(night: Night, records: Records, site_ids: list[str]) -> DayInputs:
    """Return the night's inputs, checked anew as if the sites had never been."""
    readings = night.readings
    date = readings.inputs.day.date
    tables = without(readings.rows | readings.beside, site_ids)
    inputs = inputs_from_archived(records.settings, date, tables, readings.grids)
    # Half of the cost is trees of density: without a flight they matter to SWE only where a site knows its depth alone.
    return inputs if _asks_density(inputs.ground, date) else replace(inputs, earlier_densities=None)


class _AskedError(Exception):
    """Raised where the density model is asked for."""


def _asks_density(ground: GroundRecord, date: dt.date) -> bool:
    """Return whether some site's SWE comes from its depth and the density model."""

    def asked(_: dt.date) -> None:
        raise _AskedError

    try:
        with_depth_only_sites(ground, asked, [date])
    except _AskedError:
        return True
    return False


def left_out(records: Records, date: str) -> pd.DataFrame:
    """Return what each method says of each site that it does not know, mm: one row for each site of a night.

    Returns
    -------
    DataFrame : date, season, site, age_days, observed, observed_se, map, map_se, p10, p90, line, inverse distance, mean.
    """
    night = read_night(records, dt.date.fromisoformat(date))
    sites = night.observed
    rows = []
    for out in folds(list(sites.index)):
        found = map_of_day(inputs_without(night, records, out), night.choices)
        fields = published_fields(found.today, found.density, found.inputs)
        rest = sites.drop(index=out)
        for site in sites.loc[out].itertuples():
            cell = fields.sel(x=site.x, y=site.y, method="nearest")
            rows.append({
                "date": date, "season": night.readings.inputs.day.season_start.year + 1, "site": site.Index,
                "age_days": site.age_days, "observed": site.swe_mm, "observed_se": site.swe_se_mm,
                "map": float(cell["swe"]), "map_se": float(cell["swe_se"]),
                "p10": float(cell["swe_p10"]), "p90": float(cell["swe_p90"]),
            } | simple_methods(rest, site.x, site.y, site.stated_m))  # fmt: skip
    return pd.DataFrame(rows)


def simple_methods(rest: pd.DataFrame, x: float, y: float, elevation_m: float) -> dict[str, float]:
    """Return what simple methods make of the other sites for a place, mm.

    Parameters
    ----------
    rest : the other sites: x, y, stated_m, swe_mm.
    """
    swe = rest["swe_mm"].to_numpy(float)
    slope, level = np.polyfit(rest["stated_m"].to_numpy(float), swe, 1)
    away = np.hypot(rest["x"].to_numpy(float) - x, rest["y"].to_numpy(float) - y)
    weight = 1.0 / np.maximum(away, NEAREST_M) ** 2
    return {
        "line": max(0.0, float(level + slope * elevation_m)),
        "inverse distance": float((weight * swe).sum() / weight.sum()),
        "mean": float(swe.mean()),
    }


def for_judging(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with z and whether the published limits hold the site, a point's own errors counted.

    Returns
    -------
    DataFrame : `rows` where the map tells something, with se (of the error), z (error over se) and in80.
    """
    rows = rows[rows["map"].notna()].reset_index(drop=True)
    point = np.hypot(POINT_SHARE * rows["map"], rows["observed_se"])
    error = rows["map"] - rows["observed"]
    # The published limits, each made wider in quadrature by what a point may be off from its cell.
    above, below = rows["p90"] - rows["map"], rows["map"] - rows["p10"]
    most = np.hypot(np.where(error > 0, below, above), Z80 * point)
    se = np.hypot(rows["map_se"], point)
    return rows.assign(se=se, z=error / se, in80=error.abs() <= most)
