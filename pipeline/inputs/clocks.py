"""What a station's local times mean: by an offset written with them, or by the clock that the settings declare."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from snowtally.inputs.values import BARE_DATE, LOCAL_TIME, NO_TIME


@dataclass(frozen=True)
class Instants:
    """Times brought to UTC.

    Parameters
    ----------
    seconds : int64 since 1970; datetime64's "not a time" where a local time has no clock, or is one that its clock skips.
    ambiguous : mask of times that the clock shows twice.
    unclocked, skipped : masks of local times without a declared clock, and of those that the clock jumps over.
    """

    seconds: np.ndarray
    ambiguous: np.ndarray
    unclocked: np.ndarray
    skipped: np.ndarray


@dataclass(frozen=True)
class Clock:
    """What local times of a file are counted by.

    Parameters
    ----------
    usual : hours east of UTC, or an IANA zone; None where a local time is no instant.
    by_station : the same for single stations, by site_id.
    basin_offset_h : the basin's offset, hours east of UTC: a bare date is its local noon.
    """

    usual: float | str | None
    by_station: Mapping[str, float | str]
    basin_offset_h: float


def instants(seconds: np.ndarray, kind: np.ndarray, site: np.ndarray, names: list[str], clock: Clock) -> Instants:
    """Return a file's times in UTC.

    Parameters
    ----------
    seconds, kind : as `values.times` gives them.
    site : each time's station, an index into `names`.
    names : the stations' names.

    Of an hour that a clock shows twice in autumn the first reading of a station counts by summer time and any further by
    standard time; a single one counts by standard time. These times are `ambiguous`, since a gap could mislead.
    """
    seconds = seconds.copy()
    none = np.zeros(len(seconds), bool)
    ambiguous, unclocked, skipped = none.copy(), none.copy(), none.copy()
    bare = (kind == BARE_DATE) & (seconds != NO_TIME)
    seconds[bare] += round((12 - clock.basin_offset_h) * 3600)
    local = np.flatnonzero((kind == LOCAL_TIME) & (seconds != NO_TIME))
    if len(local) == 0:
        return Instants(seconds, ambiguous, unclocked, skipped)
    clocks = [clock.by_station.get(name, clock.usual) for name in names]
    for zone in dict.fromkeys(clocks):
        stations = [number for number, its_zone in enumerate(clocks) if its_zone == zone]
        rows = local[np.isin(site[local], stations)]
        if zone is None:
            unclocked[rows] = True
            seconds[rows] = NO_TIME
        elif isinstance(zone, str):
            in_utc, twice = _by_zone(seconds[rows], site[rows], ZoneInfo(zone))
            seconds[rows], ambiguous[rows], skipped[rows] = in_utc, twice, in_utc == NO_TIME
        else:
            seconds[rows] -= round(zone * 3600)
    return Instants(seconds, ambiguous, unclocked, skipped)


def _by_zone(local: np.ndarray, site: np.ndarray, zone: ZoneInfo) -> tuple[np.ndarray, np.ndarray]:
    wall = pd.DatetimeIndex(local.view("datetime64[s]"))
    # What is shown twice comes back missing; what the clock skips is moved on here, so that only the former does.
    twice = np.asarray(wall.tz_localize(zone, ambiguous="NaT", nonexistent="shift_forward").isna())
    summer = np.zeros(len(wall), bool)
    if twice.any():
        shown = pd.DataFrame({"site": site[twice], "wall": local[twice]})
        turn = shown.groupby(["site", "wall"]).cumcount().to_numpy()
        times = shown.groupby(["site", "wall"])["wall"].transform("size").to_numpy()
        summer[twice] = (turn == 0) & (times > 1)
    in_utc = wall.tz_localize(zone, ambiguous=summer, nonexistent="NaT").tz_convert("UTC").tz_localize(None)
    return in_utc.to_numpy().astype("datetime64[s]").astype(np.int64), twice
