"""Where a series leaves what snow can do within the time: readings that come back within a day, and levels that stay."""

from __future__ import annotations

import numpy as np
from numba import njit

SPIKE, JUMP = 1, 2
"""A reading away from the level before and after it; the first reading of another level."""

BACK_HOURS = 25.0
"""An excursion that returns within a day, give or take a reading, is a spike or a burst of them; a longer one is another level."""

BACK_SHARE = 0.4
"""Back is within this share of the excursion's size: snow fallen or melted meanwhile is less."""

NOISE_ALLOWED = {"swe_mm": 4.0, "depth_m": 8.0}
"""A difference of two readings may exceed what snow can do by so many standard deviations of one reading; sound sensors of depth
are two or three times noisier in warm air than in the median of a season (common practice, no source)."""

LEAST_NOISE = {"swe_mm": 1.0, "depth_m": 0.01}
"""Rounding of the readings; a sensor whose noise is below it is still no better than that."""

DAY_HOURS = 24.0
"""Hours of a day."""


# Compiled code is kept beside this file and is made anew when the file changes.
@njit(nogil=True, cache=True)
def possible(rate_hour: float, rate_day: float, hours: float) -> float:
    """Return the greatest change within so many hours.

    Short bursts follow the square root of time, as extreme rain does over hours (common practice, no source); a day's limit
    goes on linearly.
    """
    if hours >= DAY_HOURS:
        return rate_day * hours / DAY_HOURS
    return min(rate_hour * hours, rate_day * np.sqrt(hours / DAY_HOURS))


@njit(nogil=True, cache=True)
def excursions(values, hours, bounds, rates, allowed, kind):  # noqa: ANN001, ANN201, C901  one pass, compiled
    """Mark spikes and jumps in one pass over each station's readings.

    Parameters
    ----------
    values, hours : (readings,) the quantity and the instants; missing readings are passed over.
    bounds : (stations + 1,) first reading of each station.
    rates : rise_hour, rise_day, fall_hour, fall_day.
    allowed : (stations,) what noise may add to a change.
    kind : (readings,) uint8, written to: SPIKE or JUMP.
    """
    rise_hour, rise_day, fall_hour, fall_day = rates
    for site in range(bounds.size - 1):
        last = -1
        i = bounds[site]
        end = bounds[site + 1]
        while i < end:
            value = values[i]
            if np.isnan(value):
                i += 1
                continue
            if last < 0:
                last = i
                i += 1
                continue
            change = value - values[last]
            elapsed = hours[i] - hours[last]
            up = change > 0
            most = possible(rise_hour, rise_day, elapsed) if up else possible(fall_hour, fall_day, elapsed)
            if abs(change) <= most + allowed[site]:
                last = i
                i += 1
                continue
            back = -1
            near = max(BACK_SHARE * abs(change), allowed[site])
            j = i + 1
            while j < end and hours[j] - hours[i] <= BACK_HOURS:
                if not np.isnan(values[j]) and abs(values[j] - values[last]) <= near:
                    back = j
                    break
                j += 1
            if back < 0:
                kind[i] = JUMP
                last = i
                i += 1
                continue
            for k in range(i, back):
                if not np.isnan(values[k]):
                    kind[k] = SPIKE
            last = back
            i = back + 1


def noise(values: np.ndarray) -> float:
    """Return the standard deviation of one reading's noise.

    It comes from the median size of second differences. Weather shows in these only where it bends. For white noise of
    standard deviation s their median size is 0.6745 sqrt(6) s. The series' missing values must be left out before. The
    result is 0 where there are too few readings or differences.
    """
    least = 10
    if len(values) < least:
        return 0.0
    bends = np.abs(values[2:] - 2.0 * values[1:-1] + values[:-2])
    # Bare ground reads the same for months and would hide the noise that snow shows.
    bends = bends[bends > 0]
    return float(np.median(bends)) / (0.6745 * np.sqrt(6.0)) if len(bends) >= least else 0.0
