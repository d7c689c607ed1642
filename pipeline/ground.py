"""The shape that leaves the measurements: what the ground teams and stations said up to a date."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import pandas as pd

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class GroundRecord:
    """What the ground teams and stations said up to the date of the estimate.

    Parameters
    ----------
    sites : indexed by site_id: kind, x, y (m), elevation_m (the terrain's), inside and what else is known of the place.
    daily : station days: site_id, date, swe_mm, depth_m, depth_se_m, and where told air_temperature_c and precipitation_mm.
    station_se_mm : error of the SWE of each row of `daily`.
    visits : course visits: site_id, date, nominal_date, swe_mm, swe_se_mm, depth_m, depth_se_m, density_kg_m3,
        density_se_kg_m3, points, by_depth (SWE told by depth and the density model).
    weather : days of the weather table up to the date: date, elevation_m, air_temperature_c, precipitation_mm; may be empty.
    southern : whether the basin lies south of the equator.
    least_density_depth_m : in snow no deeper than this a station's SWE over depth is no density: its sensors' errors swamp it.
    """

    sites: pd.DataFrame
    daily: pd.DataFrame
    station_se_mm: np.ndarray
    visits: pd.DataFrame
    weather: pd.DataFrame = field(default_factory=pd.DataFrame)
    southern: bool = False
    least_density_depth_m: float = 0.2

    @cached_property
    def station_series(self) -> pd.DataFrame:
        """SWE (mm) by day and station, gaps between a station's own values bridged evenly, missing before and after."""
        return _bridged(self.daily, self.sites.index)

    @cached_property
    def course_series(self) -> pd.DataFrame:
        """SWE (mm) by day and course, bridged evenly between visits, missing before the first and after the last."""
        return _bridged(self.visits, self.sites.index)

    @cached_property
    def _answers(self) -> dict[Hashable, Any]:
        """What was asked of this record, by question: no part of it, so that a record made of it by `replace` begins anew."""
        return {}

    def once(self, question: Hashable, reckon: Callable[[], Answer]) -> Answer:
        """Return what `reckon` says of the record, asked the first time only: candidates of a blend ask the same of one record.

        Parameters
        ----------
        question : what is asked: a name of its own, with all that the answer hangs on beside the record.
        reckon : makes the answer; nobody may write into it, as all who ask get the same.
        """
        if question not in self._answers:
            self._answers[question] = reckon()
        return self._answers[question]

    def without(self, *site_ids: str) -> GroundRecord:
        """Return the record as if the sites had never been."""
        kept = ~self.daily["site_id"].isin(site_ids).to_numpy()
        return replace(
            self,
            sites=self.sites.drop(index=list(site_ids)),
            daily=self.daily[kept],
            station_se_mm=self.station_se_mm[kept],
            visits=self.visits[~self.visits["site_id"].isin(site_ids)],
        )


def _bridged(table: pd.DataFrame, sites: pd.Index) -> pd.DataFrame:
    known = table[table["site_id"].isin(sites) & table["swe_mm"].notna()]
    if known.empty:
        return pd.DataFrame(index=pd.DatetimeIndex([]))
    wide = known.pivot_table(index="date", columns="site_id", values="swe_mm")
    return wide.reindex(pd.date_range(wide.index[0], wide.index[-1])).interpolate("time", limit_area="inside")
