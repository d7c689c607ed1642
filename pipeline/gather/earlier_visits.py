"""Courses' visits of earlier seasons, checked season by season and cached: for density, and for sites against their cells."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from snowtally.courses.checks import check_courses
from snowtally.courses.context import Neighbours
from snowtally.courses.limits import CourseLimits
from snowtally.courses.samplers import without_sampler_bias
from snowtally.gather.sources import DaySources
from snowtally.inputs.read_sites import by_site
from snowtally.model.problems import Finding
from snowtally.model.rules.courses import EARLIER_VISIT_NOT_USED
from snowtally.model.season import seasons_before
from snowtally.settings.basin import Settings
from snowtally.sites.overrides import samples_without_overridden
from snowtally.sites.points import course_visits
from snowtally.stations.in_service import in_service
from snowtally.storage.cache import Cache, Maker
from snowtally.storage.encodings import FRAME

EARLIER_VISITS = "earlier_visits"
"""Name of the visits among a day's tables."""

EARLIER_SEASONS = 10
"""Visits of so many seasons before this one are used: density's ways are settled after a few, and crews and tubes change (chosen)."""

VISITS_MAKER = Maker("visits", 2, ("numpy", "pandas"))
"""Maker of a season's checked visits (`_season`)."""


@dataclass(frozen=True)
class _Season:
    """A season's rows of courses, and what they are checked against.

    Parameters
    ----------
    samples : the courses' rows.
    overrides : of earlier seasons.
    sites : the sites' table with the terrain's elevation.
    southern : whether the basin lies south of the equator.
    """

    samples: pd.DataFrame
    overrides: pd.DataFrame
    sites: pd.DataFrame
    southern: bool


def earlier_visits(
    sources: DaySources, sites: pd.DataFrame, samples: pd.DataFrame, *, southern: bool
) -> tuple[pd.DataFrame, list[Finding]]:
    """Return earlier seasons' visits with believable density, and findings.

    Parameters
    ----------
    sites : the sites' table with the terrain's elevation.
    samples : the courses' rows of all seasons.
    southern : whether the basin lies south of the equator.

    Returns
    -------
    visits : site_id, date, depth_m, density_kg_m3, and the file and line of the visit's first row.
    findings : how many of a course's visits are left out.

    Notes
    -----
    Stations of those years are not read, so that a course is held against itself and the other courses.
    """
    settings = sources.settings
    seasons = list(seasons_before(sources.season_start, settings.season_start, EARLIER_SEASONS))
    old = samples[samples["date"].between(pd.Timestamp(seasons[-1][0]), pd.Timestamp(seasons[0][1]))]
    if old.empty:
        return _visits([]), []
    overrides, _ = sources.overrides(seasons[-1][0], seasons[0][1])
    checked = []
    for season in seasons:
        rows = old[old["date"].between(*map(pd.Timestamp, season))].reset_index(drop=True)
        if len(rows):
            checked.append(_cached_season(settings, _Season(rows, overrides, sites, southern), sources.rows))
    visits = _visits(checked)
    used = visits["density_kg_m3"].notna()
    return visits[used].reset_index(drop=True), _left_out(visits, ~used)


def _left_out(visits: pd.DataFrame, lost: pd.Series) -> list[Finding]:
    """Return a finding for each course with visits left out."""
    counts = visits["site_id"].value_counts()
    return [
        Finding(
            EARLIER_VISIT_NOT_USED,
            file=of_site["file"].iloc[0],
            line=int(of_site["line"].iloc[0]),
            site_id=str(site_id),
            start=str(of_site["date"].min().date()),
            end=str(of_site["date"].max().date()),
            evidence=f"{len(of_site)} of {counts[site_id]} visits",
        )
        for site_id, of_site in visits[lost].groupby("site_id", sort=True)
    ]


def _cached_season(settings: Settings, season: _Season, cache: Cache) -> pd.DataFrame:
    """Return a season's visits as `_season` does, cached."""
    key = VISITS_MAKER.key(
        season.samples.to_csv(),
        season.sites.to_csv(),
        season.southern,
        season.overrides.to_csv(),
        settings.checks.model_dump_json(include=set(CourseLimits.model_fields)),
        settings.courses.sampler_bias,
        settings.basin.utc_offset_hours,
    )
    return cache.get_or_make(key, FRAME, lambda: _season(settings, season))


def _season(settings: Settings, season: _Season) -> pd.DataFrame:
    """Return a season's weighed visits.

    Density is missing where it does not pass the checks.
    """
    samples, overrides = season.samples, season.overrides
    # A weight without a depth is none of density's business, and no fault.
    weighed = samples[(samples["swe_mm"] > 0) & (samples["depth_m"] > 0)].sort_values(["file", "line"])
    where = weighed.groupby(["site_id", "date"], as_index=False, observed=True)[["file", "line"]].first()
    sites = by_site(season.sites)
    samples = in_service(samples, sites, "courses", [])
    of_course = overrides["site_id"].isin(sites.index[sites["kind"] == "course"])
    samples, _ = samples_without_overridden(samples, overrides[of_course], settings.basin.utc_offset_hours)
    samples, _ = without_sampler_bias(samples, settings.courses.sampler_bias)
    around = Neighbours(elevation_m=sites["elevation_m"], southern=season.southern)
    samples, _ = check_courses(samples, settings.checks, around)
    visits = course_visits(samples)[["site_id", "date", "depth_m", "density_kg_m3"]]
    return _visits([where.merge(visits, on=["site_id", "date"], how="left")])


def _visits(tables: list[pd.DataFrame]) -> pd.DataFrame:
    """Return the tables as one, by site and date.

    It has the columns of visits alone; an empty one has their types too.
    """
    columns = {
        "site_id": str,
        "date": "datetime64[s]",
        "depth_m": float,
        "density_kg_m3": float,
        "file": str,
        "line": int,
    }
    if not any(len(table) for table in tables):
        return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in columns.items()})
    together = pd.concat([table[list(columns)] for table in tables if len(table)]).astype(columns)
    return together.sort_values(["site_id", "date"], kind="stable", ignore_index=True)
