"""What gauges and the weather table caught against the neighbours: plugged gauges, absurd totals and single absurd days."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.neighbours import others_quantile, window_sum
from snowtally.stations.network import Agreement, Network, compare, span
from snowtally.stations.series import StationSeries

NAME = "precipitation_mm"

TOGETHER = Agreement(usual_slope=0.35, slopes=(-0.3, 1.0), agree=float(np.log(2.5)), most_offset=0.0)
"""Natural logarithms, and their change in a kilometre: precipitation grows by some 40 % a kilometre, in rain shadows it falls (common
practice, no source). In four weeks with 40 mm and more, six real gauges caught within 0.2 and 3.2 times their neighbours' median, plugged
ones apart (2000 to 2009). A gauge's own usual share is not taken off: a unit mix-up would be its habit."""

WINDOW_DAYS = 28
"""Storms and showers that miss a gauge even out in about four weeks."""

WINDOW_MM = 40.0
"""And where the neighbours caught less than this in them, shares say nothing."""

REPORTED_SHARE = 0.8
"""Share of a window's days that a record must tell."""

NOTHING_MM = 2.5
"""A tenth of an inch, the step of many gauges: less is taken for this much in ratios."""

PLUGGED_DAYS, PLUGGED_MM = 15, 30.0
"""A gauge without a drop for so many days, in which the neighbours' median caught so much, is capped, plugged or frozen (common practice,
no source)."""

ABSURD_DAY_MM = 75.0
"""More than this in a day, and the limit's factor more than any other gauge in three days, was poured into the gauge or is a leap of its
sensor: crews charge gauges with antifreeze (common practice, no source)."""

DAY_MM = 2.0
"""What is compared day by day to find the ends of a stretch."""

LASTING = 0.5
"""A record wrong in this share of its windows is wrong all season."""

LEAST_OTHERS = 2
"""One other gauge may be the one that is wrong."""


@dataclass(frozen=True)
class CatchVerdict:
    """What is wrong with daily precipitation; all (days, records).

    Parameters
    ----------
    wrong : contradicted by neighbours that agree.
    doubtful : contradicted by the only other record.
    """

    wrong: np.ndarray
    doubtful: np.ndarray


def judge(fallen: np.ndarray, heights: np.ndarray, factor: float) -> CatchVerdict:
    """Return which daily precipitation is wrong or doubtful.

    The records are the gauges and the weather table.

    Parameters
    ----------
    fallen : (days, records) mm, missing where a record has none.
    heights : (records,) m.
    factor : a total of four weeks is wrong if it is more than so many times the neighbours', or less than one part in
        so many of theirs.
    """
    others = others_quantile(fallen, 0.5)
    wrong = _plugged(fallen) | _absurd_days(fallen, factor)
    doubtful = np.zeros_like(wrong)
    for far, judged, shown in _windows(fallen, others, heights, factor):
        wrong |= _of_windows(far.agreed, judged, shown)
        doubtful |= _of_windows(far.lone, judged, shown)
    there = np.isfinite(fallen)
    return CatchVerdict(wrong & there, doubtful & there & ~wrong.any(axis=1, keepdims=True))


@dataclass(frozen=True)
class FarWindows:
    """Windows with a total far from the neighbours', (days, records).

    A window is marked at its last day. In `agreed` the neighbours agree with each other and no other record is like
    this one. In `lone` there is only one other record.
    """

    agreed: np.ndarray
    lone: np.ndarray


def _windows(
    fallen: np.ndarray, others: np.ndarray, heights: np.ndarray, factor: float
) -> list[tuple[FarWindows, np.ndarray, np.ndarray]]:
    """Return far windows for too much and for too little.

    Each entry holds three parts: the far windows, a mask of the windows that were judged by neighbours that agree, and
    a mask of the days that show the difference. The masks are (days, records).
    """
    reported = window_sum(np.isfinite(fallen), WINDOW_DAYS - 1, 0)
    total = np.where(reported >= REPORTED_SHARE * WINDOW_DAYS, window_sum(fallen, WINDOW_DAYS - 1, 0), np.nan)
    total *= WINDOW_DAYS / np.maximum(reported, 1)
    comparison = compare(np.log(np.maximum(total, NOTHING_MM)), heights, TOGETHER)
    usual = np.exp(comparison.expected)
    windows = []
    for off, judged, shown in (
        (total > factor * usual, np.fmax(usual, total / factor) >= WINDOW_MM, fallen >= factor * others),
        (total < usual / factor, usual >= WINDOW_MM, fallen <= others / factor),
    ):
        far = off & judged
        wetter = np.fmax(fallen, others) >= DAY_MM
        windows.append(
            (
                FarWindows(far & comparison.agreed & ~comparison.alike, far & comparison.lone),
                judged & comparison.agreed,
                shown & wetter,
            )
        )
    return windows


def _of_windows(far: np.ndarray, judged: np.ndarray, shown: np.ndarray) -> np.ndarray:
    """Return the days to which far windows point, (days, records).

    Each run of far windows is cut to the days from the first to the last that shows the difference. All days of a
    record are returned if at least `LASTING` of its judged windows, and at least `WINDOW_DAYS` windows, are far.
    """
    days = window_sum(far, 0, WINDOW_DAYS - 1) > 0
    for record in np.flatnonzero(days.any(axis=0)):
        if far[:, record].sum() >= max(LASTING * judged[:, record].sum(), WINDOW_DAYS):
            days[:, record] = True
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], days[:, record].astype(np.int8), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            at = a + np.flatnonzero(shown[a:b, record])
            days[a:b, record] = False
            if len(at):
                days[at[0] : at[-1] + 1, record] = True
    return days


def _plugged(fallen: np.ndarray) -> np.ndarray:
    """Return dry spells in which the neighbours caught plenty.

    A spell includes the day after it: that day may hold what the gauge held back.
    """
    plugged = np.zeros(fallen.shape, bool)
    for record in range(fallen.shape[1] if fallen.shape[1] > 1 else 0):
        edges = np.flatnonzero(np.diff(np.concatenate([[0], (fallen[:, record] == 0.0).astype(np.int8), [0]])))
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if b - a < PLUGGED_DAYS:
                continue
            others = np.delete(fallen[a:b], record, axis=1)
            reported = np.isfinite(others).sum(axis=0) >= REPORTED_SHARE * (b - a)
            if reported.any() and np.median(np.nansum(others[:, reported], axis=0)) >= PLUGGED_MM:
                plugged[a : b + 1, record] = True
    return plugged


def _absurd_days(fallen: np.ndarray, factor: float) -> np.ndarray:
    """Return days of precipitation that no other gauge supports.

    A day after a gap is left out, as it may hold what fell in the gap.
    """
    there = np.isfinite(fallen)
    others = others_quantile(np.where(there, window_sum(fallen, 1, 1), np.nan), 1.0, least=LEAST_OTHERS)
    after_gap = np.vstack([np.zeros((1, fallen.shape[1]), bool), ~there[:-1]])
    return (fallen >= ABSURD_DAY_MM) & (fallen >= factor * others) & ~after_gap


def catch(series: StationSeries, network: Network, factor: float) -> None:
    """Set aside precipitation that the neighbours contradict.

    Where two records alone contradict each other, both are used and a finding says so. A dry spell is set aside even
    then.

    Parameters
    ----------
    factor : as `judge`.
    """
    days = series.days
    said, height = network.table(NAME, days)
    heights = np.append(network.heights(series.names), height)
    fallen = np.column_stack([series.precipitation, said])
    verdict = judge(fallen, heights, factor)

    def evidence(rows: np.ndarray) -> str:
        site = int(np.searchsorted(series.bounds, rows[0], side="right")) - 1
        return words(fallen[np.unique(series.day_of[rows])], site)

    wrong, doubtful = verdict.wrong[:, :-1], verdict.doubtful[:, :-1]
    # What the stretch of a total is worth is known step by step alone: the reading after it holds all that fell in it.
    series.count_in_steps(np.flatnonzero(wrong.any(axis=0)))
    for table, rule in (
        (doubtful, rules.PRECIPITATION_OF_TWO_ALONE),
        (wrong, rules.PRECIPITATION_AGAINST_NEIGHBOURS),
    ):
        marked = series.days_to_readings(table)
        for name in (NAME, "precipitation_total_mm"):
            series.tell(marked & np.isfinite(series.values[name]), name, rule, evidence=evidence, near_hours=72.0)


def words(fallen: np.ndarray, record: int) -> str:
    """Return what a record and its neighbours caught, as text.

    `fallen` holds the precipitation of a stretch, mm, (days, records).
    """
    others = np.delete(fallen, record, axis=1)
    theirs = np.nansum(others[:, np.isfinite(others).any(axis=0)], axis=0)
    days = f"{len(fallen)} day{'s' if len(fallen) > 1 else ''}"
    return f"{np.nansum(fallen[:, record]):.0f} mm in {days} where the neighbours caught {span(theirs)} mm"
