"""The shape of a dry run: what a night would use of each input, site and flight, for the command line and the page."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from snowtally.model.basin import Basin
from snowtally.model.season import BasinDay


@dataclass(frozen=True)
class Stretch:
    """Days without a gap, from the first to the last."""

    first: dt.date
    last: dt.date

    @property
    def days(self) -> int:
        """How many days there are."""
        return (self.last - self.first).days + 1


@dataclass(frozen=True)
class InputUse:
    """What a night would use of an input.

    Parameters
    ----------
    role : sites, courses, stations, ... or zones, elevation, canopy.
    files : names of its files.
    read, used, set_aside : rows that belong to the date's season so far (flights: flights), those of which something is used, those of
        which something is set aside; None of an input that is no table.
    first, last : first and last day of its rows.
    units : each header that holds numbers with its unit, as declared.
    clock : what its times are counted by, in words; empty where it has days alone.
    """

    role: str
    files: list[str]
    read: int | None = None
    used: int | None = None
    set_aside: int | None = None
    first: dt.date | None = None
    last: dt.date | None = None
    units: list[str] = field(default_factory=list)
    clock: str = ""

    @property
    def declared(self) -> list[str]:
        """Units and clock, in words."""
        return [", ".join(self.units)] * bool(self.units) + [self.clock] * bool(self.clock)


@dataclass(frozen=True)
class SiteUse:
    """What a night would use of a site.

    Parameters
    ----------
    site_id, name, kind : as in the sites table.
    x, y : m on the grid's coordinate system, infinite where that has no such point.
    on_grid : whether it lies within the basin's margin; else it is left out.
    outside_m : distance from the basin, 0 inside, m.
    stated_m, terrain_m : its elevation in the table, and the terrain's there, m; NaN where not known.
    counts : whether it has a value near enough to the date to count.
    swe_mm, measured_on : its last SWE, mm, NaN where it has none, and the day of its last value.
    used, set_aside : rows of the season so far of which something is used, and of which something is set aside.
    with_value, aside : days with a value that is used; days all of whose values are set aside.
    holes : of a station, days without any value since its first.
    findings, worst : how many findings are about it, and the rule of the most serious.
    """

    site_id: str
    name: str
    kind: str
    x: float
    y: float
    on_grid: bool
    outside_m: float
    stated_m: float
    terrain_m: float
    counts: bool = False
    swe_mm: float = float("nan")
    measured_on: dt.date | None = None
    used: int = 0
    set_aside: int = 0
    with_value: list[Stretch] = field(default_factory=list)
    aside: list[Stretch] = field(default_factory=list)
    holes: list[Stretch] = field(default_factory=list)
    findings: int = 0
    worst: str = ""

    @property
    def lies(self) -> str:
        """Where it lies, in a word: inside, outside, or outside the margin."""
        return "outside the margin" if not self.on_grid else "outside" if self.outside_m > 0 else "inside"


@dataclass(frozen=True)
class FlightUse:
    """What a night would use of a flight.

    Parameters
    ----------
    flight_id, date : as in the flights table.
    share : of the basin's area that it saw, 0 to 1; None where it is refused.
    seen : seen share of each cell, (y, x); None where it is refused.
    """

    flight_id: str
    date: dt.date
    share: float | None = None
    seen: np.ndarray | None = None


@dataclass(frozen=True)
class DryRun:
    """What a night would use.

    Parameters
    ----------
    day, title, basin : as in the science's inputs.
    impossible : why the night would fail, empty where it would not.
    inputs, sites, flights : by input, site and flight.
    covers : day and variable of each cover grid used.
    weather : days of the weather table up to the date; `forecast` those after it.
    findings : rows of `checks.csv`.
    """

    day: BasinDay
    title: str
    basin: Basin
    impossible: str
    inputs: list[InputUse]
    sites: list[SiteUse]
    flights: list[FlightUse]
    covers: list[tuple[dt.date, str]]
    weather: list[Stretch]
    forecast: list[Stretch]
    findings: pd.DataFrame
