"""Levels that jump and stay: units mixed up, sensors shifted, snow that bridged; and the weather that would excuse them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.bridging import bridged_since, tell_bridging
from snowtally.stations.excursions import NOISE_ALLOWED
from snowtally.stations.neighbours import FROZEN_C, Neighbours
from snowtally.stations.series import ALL_ONE, UNITS, StationSeries, rows_with_readings

UNIT_FACTORS = {
    "swe_mm": {
        "inches for millimetres": 25.4,
        "centimetres for millimetres": 10.0,
        "millimetres for inches, turned into millimetres once more": 1 / 25.4,
        "millimetres for centimetres": 0.1,
    },
    "depth_m": {
        "inches for centimetres": 2.54,
        "millimetres or metres by a factor of ten": 10.0,
        "metres for centimetres": 100.0,
        "centimetres for inches": 1 / 2.54,
        "millimetres for centimetres": 0.1,
    },
}
"""Unit mix-ups that show as a sudden step by a known factor: what was written, and what brings it back (common practice)."""

UNIT_TOLERANCE = 0.12
"""A step counts as a unit mix-up when the factor is met within 12 %: daily change of SWE on 100 mm of snow rarely exceeds it."""

UNIT_LEAST = {"swe_mm": 30.0, "depth_m": 0.25}
"""Below this level a step by a factor is within the noise of thin snow."""

LEVEL_READINGS = 5
LEVEL_HOURS = 24.0
"""A level is the median of up to five readings within a day."""

AWAY_DAYS = 60.0
"""A level that returns within so long was an episode; later the season has gone on and nothing can be told."""

CATCH = 2.2
DRIFT_MM = 20.0
"""A rise is the weather's up to 2.2 times what fell somewhere near, and what wind may bring in a storm: gauges catch half of windy
snow (common practice, no source)."""

DEAD_SHARE = 0.1
"""A level that drops below this share of what stood before is a sensor without a signal, not one that has shifted."""


@dataclass(frozen=True)
class Level:
    """A station's readings between two jumps of its level.

    `first` and `last` are rows. `begins` and `ends` are the levels at both ends, in the quantity's unit.
    """

    first: int
    last: int
    begins: float
    ends: float


def jumps(series: StationSeries, name: str, rows: np.ndarray, usual: np.ndarray) -> None:
    """Find the cause of each jump and treat its level.

    The cause is a unit mix-up, an episode, a shifted sensor, a bridge of snow, or the weather.

    Parameters
    ----------
    rows : readings where a level jumps.
    usual : noise of the stations' readings.
    """
    if len(rows) == 0:
        return
    around = Neighbours(series)
    sites = np.searchsorted(series.bounds, rows, side="right") - 1
    for site in np.unique(sites):
        _station_jumps(series, name, int(site), rows[sites == site], around, usual[site])


@dataclass(frozen=True)
class Jump:
    """A jump of a station's level.

    `site` is the station's number. `before` and `after` are the levels on both sides.
    """

    site: int
    before: Level
    after: Level

    @property
    def size(self) -> float:
        """The change at the jump."""
        return self.after.begins - self.before.ends


def _levels(series: StationSeries, name: str, site: int, rows: np.ndarray) -> list[Level]:
    """Return the levels between a station's jumps.

    Each end of a level is the median of its first or last readings.
    """
    values, hours = series.values[name], series.hours
    edges = [int(series.bounds[site]), *(int(row) for row in rows), int(series.bounds[site + 1])]
    levels = []
    for a, b in pairwise(edges):
        there = a + np.flatnonzero(np.isfinite(values[a:b]))
        if len(there) == 0:
            continue
        head = there[hours[there] <= hours[there[0]] + LEVEL_HOURS][:LEVEL_READINGS]
        tail = there[hours[there] >= hours[there[-1]] - LEVEL_HOURS][-LEVEL_READINGS:]
        levels.append(
            Level(int(there[0]), int(there[-1]), float(np.median(values[head])), float(np.median(values[tail])))
        )
    return levels


def _station_jumps(
    series: StationSeries, name: str, site: int, rows: np.ndarray, around: Neighbours, usual: float
) -> None:
    levels = _levels(series, name, site, rows)
    hours = series.hours
    # A station that begins with a level of some hours began with a fault.
    while len(levels) > 1 and hours[levels[0].last] - hours[levels[0].first] <= LEVEL_HOURS:
        brief, levels = levels[0], levels[1:]
        _tell_brief(series, name, brief, levels[0].begins)
    good, k = levels[0], 1
    while k < len(levels):
        jump = Jump(site, good, levels[k])
        if (name == "swe_mm" and _bridged(series, jump, around)) or _weather(series, name, jump, around):
            good, k = levels[k], k + 1
            continue
        first = k
        mixed = _unit_factor(name, good.ends, levels[k].begins)
        back = _return(series, good, levels, k, NOISE_ALLOWED[name] * usual)
        if mixed is not None:
            k = _end_of_mixed(name, good, levels, k, back)
            _tell_mixed_units(series, name, (levels[first].first, levels[k - 1].last), mixed, good.ends)
            if k < len(levels):
                good, k = levels[k], k + 1
            continue
        if back is not None:
            _tell_episode(series, name, (levels[k].first, levels[back - 1].last), (good.ends, levels[k].begins))
            good, k = levels[back], back + 1
            continue
        if hours[levels[k].last] - hours[levels[k].first] <= LEVEL_HOURS:
            _tell_brief(series, name, levels[k], good.ends)
            k += 1
            continue
        good, shift, end = _stays(series, name, Jump(site, good, levels[k]))
        if shift:
            levels = [
                replace(level, begins=level.begins - shift, ends=level.ends - shift)
                if good.last < level.first < end
                else level
                for level in levels
            ]
        k += 1


def _end_of_mixed(name: str, good: Level, levels: list[Level], k: int, back: int | None) -> int:
    """Return the number of the level after a unit mix-up.

    It is `back` where the old level returns, else the first level that the unit does not explain.
    """
    if back is not None:
        return back
    while k < len(levels) and _unit_factor(name, good.ends, levels[k].begins):
        k += 1
    return k


def _bridged(series: StationSeries, jump: Jump, around: Neighbours) -> bool:
    """Set aside a plateau under bridged snow before a rise.

    It returns whether snow had bridged the sensor.
    """
    site, new = jump.site, jump.after
    day = int(series.day_of[new.first])
    size = jump.size - np.nan_to_num(around.fallen_here(site, (day, day)))
    start = bridged_since(series, around, (site, day), size) if size > 0 else None
    if start is not None:
        tell_bridging(series, site, (start, new.first - 1), size)
    return start is not None


def _weather(series: StationSeries, name: str, jump: Jump, around: Neighbours) -> bool:
    """Return whether the weather explains a jump.

    The days about the jump are looked at. Precipitation explains a rise, and melt at the other stations explains a
    fall. The station's own change of SWE also explains a jump of depth.
    """
    site, good, new, size = jump.site, jump.before, jump.after, jump.size
    first, last = max(int(series.day_of[good.last]) - 1, 0), int(series.day_of[new.first]) + 1
    if size > 0:
        fallen = around.precipitation(site, (first, last))
        if name == "swe_mm":
            return size <= CATCH * np.nan_to_num(fallen) + DRIFT_MM
        return max(fallen, around.change_here(site, (first, last))) >= LIGHTEST_SNOW * size
    if name == "depth_m" and around.change_here(site, (first, last)) <= LIGHTEST_FALL * size:
        return True
    warm = np.nanmax(around.warmest[first : last + 1, site], initial=-np.inf) > FROZEN_C
    others = around.change_of_others(site, (first, last), 0.25, name)
    return bool(warm and others <= -0.5 * abs(size))


LIGHTEST_FALL = 80.0
"""Snow that wind takes weighs more than this, kg/m3: SWE tells of its going."""

LIGHTEST_SNOW = 30.0
"""Fresh snow that weighs less than this, kg/m3, is not what a rise of depth is made of."""


def _unit_factor(name: str, before: float, after: float) -> str | None:
    """Return the unit mix-up between two levels, in words.

    It is None where no mix-up turns one level into the other.
    """
    if max(before, after) < UNIT_LEAST[name] or min(before, after) <= 0:
        return None
    rounding = {"swe_mm": 0.6, "depth_m": 0.006}[name]
    for words, factor in UNIT_FACTORS[name].items():
        if abs(after * factor / before - 1.0) < UNIT_TOLERANCE + rounding / max(min(before, after), rounding):
            return words
    return None


def _return(series: StationSeries, good: Level, levels: list[Level], k: int, allowed: float) -> int | None:
    """Return the number of the level that is back.

    Such a level begins near where the good one ended. It is None where there is none within `AWAY_DAYS` days.
    """
    size = abs(levels[k].begins - good.ends)
    for later in range(k + 1, len(levels)):
        if series.hours[levels[later].first] - series.hours[good.last] > AWAY_DAYS * 24.0:
            return None
        if abs(levels[later].begins - good.ends) <= max(BACK_SHARE * size, allowed):
            return later
    return None


BACK_SHARE = 0.5
"""Back is within half of what it was away: snow fell or melted meanwhile."""


def _tell_mixed_units(series: StationSeries, name: str, ends: tuple[int, int], slip: str, before: float) -> None:
    values, unit = series.values[name], UNITS[name]
    series.tell(
        rows_with_readings(series, name, ends),
        name,
        rules.LEVEL_IN_OTHER_UNIT,
        evidence=lambda rows: f"{values[rows[0]]:.3g} {unit} where about {before:.3g} {unit} stood before",
        detail=rules.LEVEL_IN_OTHER_UNIT.says(slip=slip),
        near_hours=ALL_ONE,
    )


def _tell_episode(series: StationSeries, name: str, ends: tuple[int, int], change: tuple[float, float]) -> None:
    before, after = change
    series.tell(
        rows_with_readings(series, name, ends),
        name,
        rules.SIGNAL_GONE_FOR_DAYS if after < DEAD_SHARE * before else rules.STEP_FOR_DAYS,
        evidence=lambda _rows: f"from {before:.4g} to {after:.4g} {UNITS[name]} at once, and back at the end",
        near_hours=ALL_ONE,
    )


def _tell_brief(series: StationSeries, name: str, level: Level, other: float) -> None:
    series.tell(
        rows_with_readings(series, name, (level.first, level.last)),
        name,
        rules.BRIEF_LEVEL,
        evidence=lambda _rows: (
            f"{level.begins:.4g} {UNITS[name]} beside {other:.4g} {UNITS[name]}, faster than snow falls or melts"
        ),
        near_hours=ALL_ONE,
    )


def _stays(series: StationSeries, name: str, jump: Jump) -> tuple[Level, float, int]:
    """Treat a jump to a level that stays.

    It returns the level to compare with from now on, the shift that was taken out, and the row where the shift ends.
    Where the signal is gone, the new level is set aside. Then the old level stays the one to compare with, and shift
    and row are 0.
    """
    site, good, new, size = jump.site, jump.before, jump.after, jump.size
    if new.begins < DEAD_SHARE * good.ends:
        unit = UNITS[name]
        series.tell(
            rows_with_readings(series, name, (new.first, new.last)),
            name,
            rules.SIGNAL_GONE,
            evidence=lambda _rows: f"from {good.ends:.4g} to {new.begins:.4g} {unit} at once, and stays there",
            near_hours=ALL_ONE,
        )
        return good, 0.0, 0
    end = series.season_end(new.first, site)
    tell_shift(series, name, (new.first, end), size)
    return replace(new, begins=new.begins - size, ends=new.ends - size), size, end


def tell_shift(series: StationSeries, name: str, stretch: tuple[int, int], size: float) -> None:
    """Take a shift of the sensor out of its readings.

    The shift begins at the first row of the stretch. It ends before the stretch's last row, or where the sensor itself
    takes the shift back. A finding is added.
    """
    unit = UNITS[name]
    marked = rows_with_readings(series, name, (stretch[0], _undone(series, name, stretch, size) - 1))
    series.tell(
        marked,
        name,
        rules.STEP,
        evidence=lambda rows: (
            f"{size:+.3g} {unit} at once without snow, melt or neighbours to show for it; readings shifted back from here on, "
            f"{series.values[name][rows[0]]:.4g} to {series.values[name][rows[0]] - size:.4g} {unit}"
        ),
        near_hours=ALL_ONE,
    )
    series.values[name][marked] -= size


UNDONE_SHARE = 0.7
UNDONE_LEAST = {"swe_mm": 60.0, "depth_m": 0.25}
"""A shift ends where one reading takes back seven tenths of it, if it is larger than what melts or settles between two."""


def _undone(series: StationSeries, name: str, stretch: tuple[int, int], size: float) -> int:
    """Return the row at which the sensor undoes a shift.

    It is the end of the stretch where the sensor does not.
    """
    rows = rows_with_readings(series, name, (stretch[0], stretch[1] - 1))
    if abs(size) < UNDONE_LEAST[name] or len(rows) == 0:
        return stretch[1]
    back = np.flatnonzero(-np.sign(size) * np.diff(series.values[name][rows]) >= UNDONE_SHARE * abs(size))
    return int(rows[back[0] + 1]) if len(back) else stretch[1]
