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
    """What ground teams and stations measured up to a date.

    The date is that of the estimate.

    Parameters
    ----------
    sites : indexed by site_id: kind, x, y (m), elevation_m (the terrain's), inside and what else is known of the site.
    daily : station days: site_id, date, swe_mm, depth_m, depth_se_m, and where known air_temperature_c and
        precipitation_mm.
    station_se_mm : error of the SWE of each row of `daily`.
    visits : course visits: site_id, date, nominal_date, swe_mm, swe_se_mm, depth_m, depth_se_m, density_kg_m3,
        density_se_kg_m3, points, by_depth (SWE made from depth and the density model).
    weather : days of the weather table up to the date: date, elevation_m, air_temperature_c, precipitation_mm; may be
        empty.
    southern : whether the basin lies south of the equator.
    least_density_depth_m : in snow no deeper than this a station's SWE over depth is no density: its sensors' errors
        are too large.
    earlier_pairs : depths that sites and flights of earlier seasons measured on the same days, as `snow.site_gains`
        takes them; may be empty.
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
        """SWE by day and station, mm.

        Gaps between a station's own values are bridged evenly. SWE is missing before its first and after its last
        value.
        """
        return self.each_site("station series", lambda: _bridged(self.station_days("swe_mm")), "columns")

    @property
    def course_series(self) -> pd.DataFrame:
        """SWE by day and course, mm.

        Gaps between visits are bridged evenly. SWE is missing before the first and after the last visit.
        """
        return self.each_site("course series", lambda: _bridged(self.course_days), "columns")

    def station_days(self, name: str) -> pd.DataFrame:
        """Return a column of `daily` by day and station.

        It is missing where it is not known.
        """
        return self.each_site(f"station {name}", lambda: _wide(self.daily, self.sites.index, name), "columns")

    @property
    def course_days(self) -> pd.DataFrame:
        """SWE (mm) by day and course on the visits."""
        return self.each_site("course swe_mm", lambda: _wide(self.visits, self.sites.index, "swe_mm"), "columns")

    @cached_property
    def _answers(self) -> dict[Hashable, Any]:
        """Answers that `once` has made, by question.

        They are no part of the record: one that `replace` makes of it begins without answers.
        """
        return {}

    def once(self, question: Hashable, reckon: Callable[[], Answer]) -> Answer:
        """Return the answer to a question, made only once.

        Candidates of a blend ask the same of one record.

        Parameters
        ----------
        question : what is asked: a name of its own, with all that the answer depends on besides the record.
        reckon : makes the answer; nobody may write into it, as all who ask get the same.
        """
        if question not in self._answers:
            self._answers[question] = reckon()
        return self._answers[question]

    def each_site(
        self, question: Hashable, reckon: Callable[[], pd.DataFrame], axis: Literal["index", "columns"] = "index"
    ) -> pd.DataFrame:
        """Return a table by site, made only once.

        It has one row, or one column, for each site (by site_id). No site's values depend on other sites. So a record
        without some sites takes the whole record's table and drops theirs.
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
        """The record that this one came from, with sites left out.

        The list is empty where this is a whole record.
        """
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
