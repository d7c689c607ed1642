"""Changes of SWE that the weather does not support: steps in quiet weather, rises without precipitation, falls while frozen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.model.rules.rule import Rule
from snowtally.stations.bridging import bridged_since, tell_bridging
from snowtally.stations.neighbours import FROZEN_C, Neighbours, change_over, others_quantile, window_sum
from snowtally.stations.series import StationSeries
from snowtally.stations.shifts import tell_shift

QUIET_SPREAD = 3.0
"""A change must exceed the neighbours' by the threshold and so many robust spreads of the neighbours' own changes."""

LEAST_SPREAD_MM = 2.0
"""Daily means of a weighing sensor differ by so much for no reason (common practice, no source)."""

NEIGHBOURS = 3
"""Fewer neighbours than this have no spread of their own."""

CATCH = 2.2
"""A rise is the weather's up to 2.2 times what fell somewhere near: gauges catch half of windy snow (common practice, no source)."""

SHARP = 0.6
"""A step puts so large a share of its change between two readings."""

DRY_SHARE = 0.25
"""A gradual rise is without precipitation while less than this share of it fell anywhere near."""

RISE_DAYS = 3
FALL_DAYS = 7

MORE_GRADUAL = 1.6
"""Changes over days need to be this much larger than sudden ones: drift, settling round the sensor and stiff crusts do that much."""

NEAR_HOURS = 12.0
"""Readings so many hours before and after a shift tell its size: half a day, so that the day's course weighs on both sides alike."""


@dataclass(frozen=True)
class _Kind:
    """A kind of change that has no reason.

    `rule` is its rule, `days` the days it takes, and `least_mm` its least size.
    """

    rule: Rule
    days: int
    least_mm: float


@dataclass(frozen=True)
class _Shift:
    """A shift of the sensor over some days.

    `rule` is its rule, `size_mm` its size, and `end` the row where its season ends.
    """

    rule: Rule
    size_mm: float
    end: int


def unsupported(series: StationSeries, step_mm: float) -> None:
    """Take out the changes of SWE that have no reason.

    Gauge, neighbours, air and depth may give a reason. A sudden change is a `step`. A change over days is a `rise
    without precipitation` or a `fall while frozen`. The sensor has shifted in each case, so its later readings of the
    season are shifted back. A rise after a plateau during snowfall is `bridging`.

    Parameters
    ----------
    step_mm : a change of the daily mean smaller than this is within what sensors do by themselves.
    """
    if series.shape[0] <= RISE_DAYS:
        return
    _bridges(series, step_mm)
    for rule, days, least in (
        (rules.STEP, 2, step_mm),
        (rules.RISE_WITHOUT_PRECIPITATION, RISE_DAYS, MORE_GRADUAL * step_mm),
        (rules.FALL_WHILE_FROZEN, FALL_DAYS, MORE_GRADUAL * step_mm),
    ):
        around = Neighbours(series)
        excess, wrong, fallen = _candidates(around, days, least)
        if rule == rules.RISE_WITHOUT_PRECIPITATION:
            wrong &= (excess > 0) & (fallen < DRY_SHARE * excess)
        if rule == rules.FALL_WHILE_FROZEN:
            wrong &= (excess < 0) & _frozen(around, days)
        for site in np.flatnonzero(wrong.any(axis=0)):
            _treat(series, _Kind(rule, days, least), int(site), excess[:, site], wrong[:, site])


def _bridges(series: StationSeries, step_mm: float) -> None:
    """Set aside plateaus under a bridge of snow.

    SWE then rises in a day or two by more than what fell in these days.
    """
    around = Neighbours(series)
    rise = change_over(around.swe, 2)
    fallen = window_sum(series.precipitation, 2, 0)
    fallen = np.where(np.isfinite(series.precipitation), fallen, np.maximum(others_quantile(rise, 0.5), 0.0))
    excess = rise - BRIDGE_CATCH * fallen
    for site in range(series.shape[1]):
        marked = excess[:, site] > step_mm + QUIET_SPREAD * LEAST_SPREAD_MM
        for day in _peaks(excess[:, site], marked, 2):
            size = float(rise[day, site] - np.nan_to_num(fallen[day, site]))
            start = bridged_since(series, around, (site, day - 1), size)
            row, _ = series.sharpest("swe_mm", site, (day - 2, day), 1.0)
            if start is not None and row is not None:
                tell_bridging(series, site, (start, row - 1), size)


BRIDGE_CATCH = 1.5
"""A gauge misses a third of the snow; what came beyond that had lain there before."""


def _candidates(around: Neighbours, days: int, least: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return unexplained changes of SWE, and what fell.

    The arrays are (days, stations): the changes beyond the neighbours', mm; which of them nothing supports; and what
    fell, mm.
    """
    series = around.series
    change = change_over(around.swe, days)
    usual = np.nan_to_num(others_quantile(change, 0.5, NEIGHBOURS))
    spread = (others_quantile(change, 0.75, NEIGHBOURS) - others_quantile(change, 0.25, NEIGHBOURS)) / 1.349
    spread = np.fmax(np.nan_to_num(spread), LEAST_SPREAD_MM)
    # Only neighbours that did the same take from a change: those that melted away do not make a rise of a rest.
    excess = np.where(change > 0, change - np.maximum(usual, 0.0), change - np.minimum(usual, 0.0))
    limit = least + QUIET_SPREAD * spread
    own = np.where(
        window_sum(np.isfinite(series.precipitation).astype(float), days, 1) > days,
        window_sum(series.precipitation, days, 1),
        np.nan,
    )
    gauges = window_sum(around.others_precipitation, days, 1)
    gauges = np.where(np.isfinite(around.others_precipitation), gauges, np.nan)
    rises = others_quantile(change_over(around.swe, days + 1), 0.9)
    fallen = np.fmax(np.fmax(own, gauges), np.fmax(rises, 0.0))
    depth = change_over(around.depth, days)
    # The depth sensor is a witness of its own: what wind brings or takes it sees too.
    risen = (excess > limit) & (change > 0)
    risen &= excess > limit + CATCH * fallen
    risen &= ~(depth > excess / HEAVIEST_RISE)
    warm = np.full_like(change, -np.inf)
    for back in range(days + 2):
        moved = np.roll(around.warmest, back, axis=0)
        moved[:back] = np.nan
        warm = np.fmax(warm, moved)
    frozen = np.isfinite(warm) & (warm < FROZEN_C)
    # Bare neighbours do not melt; only those under snow tell that none does.
    under_snow = np.where(around.swe > SNOW_MM, change, np.nan)
    at_rest = others_quantile(under_snow, 0.1, NEIGHBOURS) > -AT_REST_MM
    fallen_off = (excess < -limit) & (change < 0) & (frozen | (at_rest & (np.abs(excess) > WARM_MORE * limit)))
    fallen_off &= ~(depth < excess / LIGHTEST_FALL - SETTLING_M_DAY * days)
    return excess, risen | fallen_off, fallen


HEAVIEST_RISE = 500.0
LIGHTEST_FALL = 400.0
"""Snow brought by wind is lighter than 500 kg/m3; snow taken off was lighter than 400 (common practice, no source)."""

SETTLING_M_DAY = 0.02
"""Old snow settles by about this a day without any of it going."""

AT_REST_MM = 5.0
SNOW_MM = 30.0
SNOW_M = 0.15
WARM_MORE = 2.0
"""In air warm enough for melt a fall must be twice as large, and none of the neighbours may melt."""


def _frozen(around: Neighbours, days: int) -> np.ndarray:
    warm = around.warmest.copy()
    for back in range(1, days + 1):
        moved = np.roll(around.warmest, back, axis=0)
        moved[:back] = np.nan
        warm = np.where(np.isnan(moved), np.nan, np.maximum(warm, moved))
    return warm < FROZEN_C


def _treat(series: StationSeries, kind: _Kind, site: int, excess: np.ndarray, wrong: np.ndarray) -> None:
    """Treat the candidates of one station, day by day.

    Each shift is taken out before the next candidate is judged.
    """
    rule, days = kind.rule, kind.days
    taken, since = 0.0, -days
    for day in _peaks(excess, wrong, days):
        # A shift just taken out stands in the changes of the days that follow it.
        size = excess[day] - (taken if day - since < days else 0.0)
        if abs(size) < kind.least_mm:
            continue
        row, share = series.sharpest("swe_mm", site, (day - days, day), np.sign(size))
        if row is None or (rule == rules.STEP and share < SHARP * abs(size)):
            continue
        end = series.season_end(row, site)
        if rule == rules.STEP:
            tell_shift(series, "swe_mm", (row, end), _size_at(series, site, row, size))
        else:
            _tell_gradual(series, site, (day - days, day), _Shift(rule, float(size), end))
        taken, since = size, day


def _peaks(excess: np.ndarray, wrong: np.ndarray, days: int) -> list[int]:
    """Return the day of greatest excess in each stretch.

    Candidates no further apart than `days` are one stretch.
    """
    marked = np.flatnonzero(wrong)
    groups = np.split(marked, np.flatnonzero(np.diff(marked) > days) + 1)
    return [int(group[np.argmax(np.abs(excess[group]))]) for group in groups if len(group)]


def _size_at(series: StationSeries, site: int, row: int, size: float) -> float:
    """Return the size of a shift at a reading, mm.

    It is the median of the readings within 12 hours after the shift, less that before it. It is held between half and
    one and a half times `size`. It is `size` where readings are missing on one side.
    """
    a, b = series.bounds[site], series.bounds[site + 1]
    hours = series.hours[a:b]
    near = np.abs(hours - series.hours[row]) <= NEAR_HOURS
    values = series.values["swe_mm"][a:b]
    after = near & (np.arange(a, b) >= row)
    before = near & (np.arange(a, b) < row)
    after, before = after & np.isfinite(values), before & np.isfinite(values)
    if not (before.any() and after.any()):
        return size
    jump = float(np.median(values[after]) - np.median(values[before]))
    least, most = sorted((0.5 * size, 1.5 * size))
    return min(max(jump, least), most)


def _tell_gradual(series: StationSeries, site: int, window: tuple[int, int], shift: _Shift) -> None:
    """Set aside a gradual shift, and shift later readings back."""
    size = shift.size_mm
    held = series.station_days[max(window[0] + 1, 0) : window[1], site]
    held = held[held >= 0]
    values = series.values["swe_mm"]
    if len(held) == 0:
        return
    first, stop = int(series.day_starts[held[0]]), int(series.day_ends[held[-1]])
    rows = first + np.flatnonzero(np.isfinite(values[first:stop]))
    words = "no gauge and no neighbour tells of snow" if size > 0 else "the air stayed below freezing"
    series.tell(
        rows,
        "swe_mm",
        shift.rule,
        evidence=lambda part: (
            f"{size:+.0f} mm in {window[1] - window[0]} days, {values[part[0]]:.0f} to {values[part[-1]]:.0f} mm, while {words}"
        ),
        near_hours=1e9,
    )
    later = stop + np.flatnonzero(np.isfinite(values[stop : shift.end]))
    values[later] -= size


def zero_drift(series: StationSeries, zero_mm: float, *, before_snow: bool = False) -> None:
    """Set drifted SWE readings on bare ground to 0.

    Where the reading as it was written is near 0, an earlier correction went on for too long. The written reading is
    restored, without a finding.

    Parameters
    ----------
    zero_mm : a zero further off than this has drifted.
    before_snow : only look at the days of each season before its first snow, before jumps are judged. Otherwise the end
        of such a drift would count as a shift of what follows.
    """
    around = Neighbours(series)
    wrong = around.bare_ground(zero_mm) & (np.abs(around.swe) > zero_mm)
    if before_snow:
        snow = (others_quantile(around.swe, 0.5) > zero_mm) | (around.depth > SNOW_M)
        for season in np.unique(series.seasons):
            days = series.seasons == season
            wrong[days] &= ~np.logical_or.accumulate(snow[days], axis=0)
    if not wrong.any():
        return
    marked = series.days_to_readings(wrong) & np.isfinite(series.values["swe_mm"])
    # Where the reading as it was written is about nothing, an earlier correction has outlived what it corrected.
    written = series.records["swe_mm"].to_numpy(float)
    as_written = marked & (np.abs(written) <= zero_mm)
    series.values["swe_mm"][as_written] = written[as_written]
    marked &= ~as_written
    values = series.values["swe_mm"].copy()
    series.tell(
        marked,
        "swe_mm",
        rules.ZERO_DRIFT,
        evidence=lambda rows: f"{values[rows].min():.0f} to {values[rows].max():.0f} mm on bare ground",
        near_hours=72.0,
    )
    series.values["swe_mm"][marked] = 0.0
