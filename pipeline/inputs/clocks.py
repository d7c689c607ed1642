"""What a station's local times mean: by an offset written with them, or by the clock that the settings declare."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from pipeline.inputs.formats import FileFormat
from pipeline.inputs.values import BARE_DATE, LOCAL_TIME, NO_TIME


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


def instants(
    seconds: np.ndarray, kind: np.ndarray, site: np.ndarray, names: list[str], how: tuple[FileFormat, float]
) -> Instants:
    """Bring a file's times to UTC.

    Parameters
    ----------
    seconds, kind : as `values.times` gives them.
    site : each time's station, a place in `names`.
    names : the stations' names.
    how : the file's format, with the clocks declared, and the basin's offset: a bare date is its local noon.

    Of an hour that a clock shows twice in autumn the first reading of a station counts by summer time and any further by
    standard time; a single one counts by standard time. That is told, since a gap could mislead it.
    """
    file, utc_offset_hours = how
    seconds = seconds.copy()
    none = np.zeros(len(seconds), bool)
    ambiguous, unclocked, skipped = none.copy(), none.copy(), none.copy()
    bare = (kind == BARE_DATE) & (seconds != NO_TIME)
    seconds[bare] += round((12 - utc_offset_hours) * 3600)
    local = np.flatnonzero((kind == LOCAL_TIME) & (seconds != NO_TIME))
    if len(local) == 0:
        return Instants(seconds, ambiguous, unclocked, skipped)
    clocks = [file.clocks.get(name, file.clock) for name in names]
    for clock in dict.fromkeys(clocks):
        stations = [place for place, one in enumerate(clocks) if one == clock]
        rows = local[np.isin(site[local], stations)]
        if clock is None:
            unclocked[rows] = True
            seconds[rows] = NO_TIME
        elif isinstance(clock, str):
            found, twice = _by_zone(seconds[rows], site[rows], ZoneInfo(clock))
            seconds[rows], ambiguous[rows], skipped[rows] = found, twice, found == NO_TIME
        else:
            seconds[rows] -= round(clock * 3600)
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
    found = wall.tz_localize(zone, ambiguous=summer, nonexistent="NaT").tz_convert("UTC").tz_localize(None)
    return found.to_numpy().astype("datetime64[s]").astype(np.int64), twice
