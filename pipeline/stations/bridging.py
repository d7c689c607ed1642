"""Snow that carries itself over a sensor: the series stands still while snow falls, then jumps."""

from __future__ import annotations

import numpy as np

from snowtally.model.rules import stations as rules
from snowtally.stations.neighbours import Neighbours
from snowtally.stations.series import ALL_ONE, QUANTITIES, StationSeries, rows_with_readings

BRIDGE_DAYS = range(3, 31)
BRIDGE_SHARE = 0.2
"""A plateau under a bridge takes at most this share of what falls on it (common practice, no source)."""

BRIDGE_LEAST_MM = 20.0
"""Less snow than this builds no bridge, mm (common practice, no source)."""

BRIDGE_STILL_MM = 8.0
"""A plateau moves by no more than this besides, mm (common practice, no source)."""


def bridged_since(series: StationSeries, around: Neighbours, rise: tuple[int, int], size_mm: float) -> int | None:
    """Return the first reading of a plateau under bridged snow.

    Snow that carries itself hangs over the sensor like a bridge. The series stands still while snow falls, then jumps.
    The result is None where no plateau before the rise fits the snow that fell.

    Parameters
    ----------
    rise : station, and day of the rise.
    size_mm : the rise.
    """
    site, day = rise
    if not size_mm >= BRIDGE_LEAST_MM:
        return None
    longest = None
    swe = around.swe[:, site]
    for back in BRIDGE_DAYS:
        start = day - 1 - back
        if start < 0 or not np.isfinite(swe[start]):
            continue
        part = swe[start:day]
        fallen = around.fallen_here(site, (start + 1, day - 1))
        if np.nanmax(part) - np.nanmin(part) > BRIDGE_STILL_MM + BRIDGE_SHARE * np.nan_to_num(fallen):
            break
        if np.nanmax(around.mean_temperature[start:day, site], initial=-np.inf) > 0.0:
            break
        # The plateau began while about as much has fallen since as then came at once.
        if BRIDGE_FALLEN[0] * size_mm <= fallen <= BRIDGE_FALLEN[1] * size_mm:
            longest = start
    if longest is None:
        return None
    numbers = series.station_days[longest + 1 : day, site]
    held = numbers[numbers >= 0]
    return int(series.day_starts[held[0]]) if len(held) else None


BRIDGE_FALLEN = (0.4, 2.0)
"""What fell during the plateau, as a share of the rise that ends it: gauges miss much, and the others' snow is not the station's."""


def tell_bridging(series: StationSeries, site: int, ends: tuple[int, int], size_mm: float) -> None:
    """Set aside a plateau under a bridge of snow."""
    values = series.values["swe_mm"]
    first = max(ends[0], int(series.bounds[site]))
    series.tell(
        rows_with_readings(series, "swe_mm", (first, ends[1])),
        "swe_mm",
        rules.BRIDGING,
        evidence=lambda rows: (
            f"stood at {values[rows[0]]:.0f} to {values[rows[-1]]:.0f} mm while snow fell, then rose by {size_mm:.0f} mm at once"
        ),
        detail=rules.BRIDGING.says(quantity=QUANTITIES["swe_mm"]),
        near_hours=ALL_ONE,
    )
