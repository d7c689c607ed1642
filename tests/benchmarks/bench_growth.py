"""A night with nothing new must not cost more as the season's flights and the earlier seasons become more.

A made basin of 160,000 cells, each command in a process of its own; the night after the first. From four flights on trees are
asked, whatever the number.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from bench_night import NIGHTS, Basin, Size, night_of
from timing import Figure, Timing, slower_at_most

SIDE = 400
FIRST = dt.date(2031, 1, 5)


def figures(folder: Path) -> list[Figure]:
    """Return the ratio of CPU seconds, many over few."""
    taken = {}
    for flights, seasons in ((1, 10), (4, 10), (8, 10), (4, 1)):
        home = folder / f"growth_{flights}_{seasons}"
        home.mkdir()
        flown = {
            str(FIRST + dt.timedelta(days=round(95 * k / flights))): 0.5 + 0.6 * k / flights for k in range(flights)
        }
        basin = Basin(home, Size(SIDE, SIDE, seasons, flown))
        for date in NIGHTS[:2]:
            basin.arrive(date, late=False)
            night = night_of(home, "update", date)
        taken[flights, seasons] = Timing(night.cpu_s, night.wall_s)
    path = f"a night of {SIDE * SIDE:,} cells, ten earlier seasons"
    return [
        slower_at_most(f"{path}, 4 flights", taken[4, 10], ("1 flight", taken[1, 10]), 1.5),
        slower_at_most(f"{path}, 8 flights", taken[8, 10], ("4 flights", taken[4, 10]), 1.1),
        slower_at_most(f"{path}, 4 flights", taken[4, 10], ("one earlier season", taken[4, 1]), 1.1),
    ]
