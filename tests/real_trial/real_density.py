"""Density at courses that the model does not know, held out by course and season, beside simple methods.

A round is what was measured within half a month of the first of a month. The model of a round knows this season's visits of
other courses up to the round's end, and the visits of other courses in the ten seasons before; where the stations' records lie
in the same region, also the season's weather (for the settling model) and the stations' own densities.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
from pyproj import Transformer
from real_records import SNOW_CLASS, Records, utm_crs
from real_sites import folds

from snowtally.gather.day import read_inputs
from snowtally.gather.earlier_visits import EARLIER_SEASONS
from snowtally.snow.density import BulkDensity, Locations
from snowtally.snow.density_records import SeasonPrior
from snowtally.snow.forcing import season_forcing
from snowtally.snow.settling import Settling, settled_density
from snowtally.snow.site_values import weather_nodes
from snowtally.snow.sturm import prior_density, sturm_day

FIRST_SEASON = 1996
"""Five seasons before the first that is judged teach the region's bias."""

SHORT = 4
"""Without `--every-season` each region is judged in every so-manieth season of its heap."""

LEAST_OTHERS = 3
"""A round's mean needs so many other courses."""

EMPTY = pd.DataFrame(columns=["site_id", "date", "depth_m", "density_kg_m3", "elevation_m", "x", "y"])


def read_visits(folder: Path) -> pd.DataFrame:
    """Return the visits: region, site_id, date, season, round, depth_m, density_kg_m3, elevation_m, x, y (m)."""
    table = pd.read_csv(folder / "raw" / "density_visits.csv", parse_dates=["date"], dtype={"site_id": str})
    parts = []
    for _, region in table.groupby("region"):
        crs = utm_crs(region["lon"].mean(), region["lat"].mean())
        to_grid = Transformer.from_crs(4326, crs, always_xy=True)
        x, y = to_grid.transform(region["lon"].to_numpy(), region["lat"].to_numpy())
        parts.append(region.assign(x=x, y=y))
    visits = pd.concat(parts, ignore_index=True).drop(columns=["lon", "lat"])
    return visits.assign(
        season=visits["date"].dt.year + (visits["date"].dt.month >= 10),
        round=rounds(visits["date"]),
        density_kg_m3=visits["swe_mm"] / visits["depth_m"],
    )


def rounds(dates: pd.Series) -> pd.Series:
    """Return the first of the month that each date is nearest to.

    >>> [str(day.date()) for day in rounds(pd.to_datetime(pd.Series(["2011-03-28", "2011-04-03", "2010-12-30"])))]
    ['2011-04-01', '2011-04-01', '2011-01-01']
    """
    return (dates + pd.Timedelta(days=15)).dt.to_period("M").dt.to_timestamp()


def seasons_of(visits: pd.DataFrame, *, training: bool, every: bool) -> list[int]:
    """Return the seasons of a heap: odd ones for training, even ones for judging."""
    odd = 1 if training else 0
    heap = [int(s) for s in sorted(visits["season"].unique()) if s >= FIRST_SEASON and s % 2 == odd]
    return heap if every else heap[::-SHORT][::-1]


def held_out(records: Records, visits: pd.DataFrame, season: int) -> pd.DataFrame:
    """Return what each method says of the density at each visit of a season, kg/m3, whose course it does not know.

    Parameters
    ----------
    visits : of one region, all seasons.

    Returns
    -------
    DataFrame : region, season, date, round, site, depth_m, observed, model, model_se, round mean, relation.
    """
    asked = visits[visits["season"] == season]
    if asked.empty:
        return pd.DataFrame()
    origin = dt.date(season - 1, 10, 1)
    before = visits[visits["season"].between(season - EARLIER_SEASONS, season - 1)]
    settling, stations = season_weather(records, visits, season)
    prior = SeasonPrior(SNOW_CLASS, origin, settling=settling)
    rows = []
    for name, of_round in asked.groupby("round"):
        if of_round["site_id"].nunique() <= LEAST_OTHERS:
            continue
        end = of_round["date"].max()
        known = [asked[asked["date"] <= end], stations[stations["date"] <= end]]
        known = pd.concat([table[EMPTY.columns] for table in known if len(table)], ignore_index=True)
        for out in folds(list(asked["site_id"].unique())):
            for day, at in of_round[of_round["site_id"].isin(out)].groupby("date"):
                told = BulkDensity(prior, before[~before["site_id"].isin(out)])
                told.fit(known[~known["site_id"].isin(out)], day.date())
                depth = at["depth_m"].to_numpy(float)
                predicted = told.predict(depth, Locations.of_sites(at))
                others = of_round[~of_round["site_id"].isin(out)]
                rows.append(pd.DataFrame({
                    "region": at["region"], "season": season, "date": str(day.date()), "round": str(name.date()),
                    "site": at["site_id"], "depth_m": depth, "observed": at["density_kg_m3"], "model": predicted.mean,
                    "model_se": predicted.standard_error(), "round mean": others["density_kg_m3"].mean(),
                    "relation": prior_density(depth, sturm_day(day.date(), origin), SNOW_CLASS),
                }))  # fmt: skip
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame()


def season_weather(records: Records, visits: pd.DataFrame, season: int) -> tuple[Settling | None, pd.DataFrame]:
    """Return the season's modelled settling and its stations' densities, none where the stations stand in another region."""
    own = visits["site_id"].str.rsplit("_", n=1).str[-1].isin(records.sites["site_id"])
    end = visits.loc[visits["season"] == season, "date"].max()
    if own.mean() <= 0.5:
        return None, EMPTY
    inputs = read_inputs(records.settings, end.date(), lambda _: None, keep=True).inputs
    ground = inputs.ground
    forcing = season_forcing(ground, pd.Timestamp(season - 1, 10, 1), end, weather_nodes(ground))
    stations = ground.sites[ground.sites["kind"] == "station"]
    densities = inputs.densities[inputs.densities["site_id"].isin(stations.index)]
    at = stations.loc[densities["site_id"], ["x", "y"]]
    densities = densities.assign(x=at["x"].to_numpy(), y=at["y"].to_numpy())
    return settled_density(forcing) if forcing is not None and forcing.enough_days else None, densities


def for_judging(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with se and z, the model's error over its standard error."""
    return rows.assign(se=rows["model_se"], z=(rows["model"] - rows["observed"]) / rows["model_se"])
