"""The shape that leaves the measurements: what the ground teams and stations said up to a date."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Literal, TypeVar

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
    earlier_pairs : what sites and flights of earlier seasons said of depth on the same days, as `snow.site_gains` takes it; may be
        empty.
    """

    sites: pd.DataFrame
    daily: pd.DataFrame
    station_se_mm: np.ndarray
    visits: pd.DataFrame
    weather: pd.DataFrame = field(default_factory=pd.DataFrame)
    southern: bool = False
    least_density_depth_m: float = 0.2
    earlier_pairs: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def station_series(self) -> pd.DataFrame:
        """SWE (mm) by day and station, gaps between a station's own values bridged evenly, missing before and after."""
        return self.each_site("station series", lambda: _bridged(self.station_days("swe_mm")), "columns")

    @property
    def course_series(self) -> pd.DataFrame:
        """SWE (mm) by day and course, bridged evenly between visits, missing before the first and after the last."""
        return self.each_site("course series", lambda: _bridged(self.course_days), "columns")

    def station_days(self, name: str) -> pd.DataFrame:
        """Return a column of `daily` by day and station, where it is known."""
        return self.each_site(f"station {name}", lambda: _wide(self.daily, self.sites.index, name), "columns")

    @property
    def course_days(self) -> pd.DataFrame:
        """SWE (mm) by day and course on the visits."""
        return self.each_site("course swe_mm", lambda: _wide(self.visits, self.sites.index, "swe_mm"), "columns")

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

    def each_site(
        self, question: Hashable, reckon: Callable[[], pd.DataFrame], axis: Literal["index", "columns"] = "index"
    ) -> pd.DataFrame:
        """Return as `once` a table with a row, or a column, a site (by site_id), which owes nothing to other sites.

        A record without some sites then has the same without theirs.
        """
        if question not in self._of_sites:
            for whole, gone in self._part_of:
                table = whole._of_sites.get(question)  # noqa: SLF001  another of its kind
                if table is not None:
                    self._of_sites[question] = table.drop(**{axis: gone}, errors="ignore")
                    return self._of_sites[question]
            self._of_sites[question] = reckon()
        return self._of_sites[question]

    @cached_property
    def _of_sites(self) -> dict[Hashable, pd.DataFrame]:
        return {}

    @cached_property
    def _part_of(self) -> list[tuple[GroundRecord, list[str]]]:
        """The record that this one was taken from and the sites that it lacks; empty where it is a whole one."""
        return []

    def without(self, *site_ids: str) -> GroundRecord:
        """Return the record as if the sites had never been."""
        remaining = ~self.daily["site_id"].isin(site_ids).to_numpy()
        rest = replace(
            self,
            sites=self.sites.drop(index=list(site_ids)),
            daily=self.daily[remaining],
            station_se_mm=self.station_se_mm[remaining],
            visits=self.visits[~self.visits["site_id"].isin(site_ids)],
        )
        # Each candidate of a blend asks for tables of some twenty such records: made anew they took a third of a night.
        rest._part_of.append((self, [*site_ids]))  # noqa: SLF001  another of its kind
        return rest


def _wide(table: pd.DataFrame, sites: pd.Index, name: str) -> pd.DataFrame:
    known = table[table["site_id"].isin(sites) & table[name].notna()]
    if known.empty:
        return pd.DataFrame(index=pd.DatetimeIndex([]))
    return known.pivot_table(index="date", columns="site_id", values=name)


def _bridged(wide: pd.DataFrame) -> pd.DataFrame:
    if wide.empty:
        return wide
    return wide.reindex(pd.date_range(wide.index[0], wide.index[-1])).interpolate("time", limit_area="inside")
