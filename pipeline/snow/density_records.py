"""What was weighed this season and in earlier ones, as the density model asks for it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.snow.settling import Settling
from snowtally.snow.sturm import origin_of, prior_density, sturm_day

MOST_EARLIER = 1000
"""So many visits of earlier seasons are used at most, those nearest to the day of the season: the time grows with their cube (with
250 records of this season 0.7 s of CPU, with 1,500 earlier visits 1.8 s). Accuracy and
cost alone."""


@dataclass(frozen=True)
class SeasonPrior:
    """What is known of density before anything is weighed.

    Parameters
    ----------
    snow_class : class of Sturm et al. 2010 whose relation is used.
    origin : the season's 1 October, or 1 April in southern basins.
    lead_days : days by which a season begins before its origin; less than none where it begins after.
    settling : the season's modelled density by day and elevation, None where the weather is not known.
    """

    snow_class: str
    origin: dt.date
    lead_days: int = 0
    settling: Settling | None = None

    def settled(self, date: dt.date, elevation_m: np.ndarray, relation: np.ndarray) -> np.ndarray:
        """Return the logarithm of the settling model over the relation.

        0 where the model has no snow.
        """
        if self.settling is None:
            return np.zeros(np.shape(relation))
        settled = self.settling.at(pd.Timestamp(date), elevation_m)
        return np.log(np.where(np.isfinite(settled), settled, relation) / relation)


def density_records(
    records: pd.DataFrame, earlier: pd.DataFrame | None, prior: SeasonPrior, date: dt.date
) -> pd.DataFrame:
    """Return the records that inform the density on a date.

    Of this season one a site, and of earlier ones.

    Parameters
    ----------
    records, earlier : site_id, date, depth_m, density_kg_m3, elevation_m, x, y (m, missing where a site's place is not known) of
        this season and of the ones before.

    Returns
    -------
    DataFrame : site_id, depth_m, density_kg_m3, elevation_m, x, y; season (year of its origin), now (whether it is this one), later
        (days of the season after `date`); excess (logarithm of density over the relation).
    """
    today = sturm_day(date, prior.origin)
    season = _by_day(records, [prior.origin] * len(records), today)
    # A site's older records tell of its way through the season, which is not how thin snow differs from deep on one day.
    season = season.assign(away=season["later"].abs()).sort_values(["site_id", "away", "date"])
    parts = [season.drop_duplicates("site_id").drop(columns="away").assign(now=True)]
    if earlier is not None:
        origins = [origin_of(day.date(), prior.origin, prior.lead_days) for day in earlier["date"]]
        before = _by_day(earlier, origins, today)
        before = before.sort_values(["site_id", "date"]).sort_values("later", key=abs, kind="stable")
        parts.append(before.head(MOST_EARLIER).assign(now=False))
    known = pd.concat(parts, ignore_index=True)
    numbers = dict.fromkeys(["depth_m", "density_kg_m3", "elevation_m", "x", "y", "later"], float)
    known = known.astype({**numbers, "now": bool})
    relation = prior_density(known["depth_m"].to_numpy(), known["later"].to_numpy() + today, prior.snow_class)
    return known.assign(excess=np.log(known["density_kg_m3"] / relation))


def _by_day(records: pd.DataFrame, origins: list[dt.date], today: int) -> pd.DataFrame:
    """Return the records with their season and day.

    `later` counts days of the season after `today`.
    """
    days = [sturm_day(day.date(), origin) for day, origin in zip(records["date"], origins, strict=True)]
    names = ["site_id", "date", "depth_m", "density_kg_m3", "elevation_m", "x", "y"]
    seasons = [origin.year for origin in origins]
    weighed = records.reindex(columns=names).assign(season=seasons, later=np.asarray(days, float) - today)
    return weighed[weighed["depth_m"] > 0].dropna(subset="elevation_m")
