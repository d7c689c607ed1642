"""Columns of numbers whose headers are not known, but whose values are like those of a column that a table lacks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from snowtally.proposals.cells import CODES
from snowtally.proposals.seen_columns import LEAST_FIT, SeenColumn
from snowtally.proposals.snow_units import fits_snow, fits_weights
from snowtally.proposals.table_keys import NUMBERS
from snowtally.proposals.unit_readings import Surveyed
from snowtally.proposals.weather_units import fits_air

OTHER_THINGS = (NUMBERS - {"value", "depth_se"}) | {
    *("longitude", "latitude", "easting", "northing", "site_id", "point", "season", "instrument")
}
"""Meanings of columns of numbers that are no snow under an unknown name; a value or an error may be of snow."""

TOGETHER, LEAST_TOGETHER = 0.7, 10
"""Correlation of ranks from which a column may be snow under another name, and values that tell it (chosen: depth and SWE of a winter
correlate by 0.9 and more, wind and voltage by less than a half)."""

LIKE_A_CORE = (0.75, 1.05)
"""Median length of cores over the depth beside them, both in one unit (common practice, no source)."""

MOST_CORES = 50
"""Cores that are weighed at once, at most."""

RISING = 0.97
"""Share of steps that do not fall in a total that a gauge counts up; it is emptied once a year."""


def strange_columns(left: Sequence[SeenColumn]) -> list[SeenColumn]:
    """Return the columns of numbers whose headers say nothing that is known."""
    return [column for column in left if column.cells.is_numeric and not _is_other_thing(column)]


def _is_other_thing(column: SeenColumn) -> bool:
    means = column.meanings
    best = max(means, key=lambda meaning: means[meaning], default="")
    return best in OTHER_THINGS and means[best] >= LEAST_FIT


def doubtful_columns(role: str, left: Sequence[SeenColumn], these: Surveyed) -> dict[str, list[SeenColumn]]:
    """Return, for keys that a table lacks, the strange columns whose values are like theirs.

    Parameters
    ----------
    left : columns that no key takes.
    these : the columns that are known.
    """
    result: dict[str, list[SeenColumn]] = {}
    strange = strange_columns(left)
    for key, is_like in _LIKE.get(role, {}).items():
        if key in these.columns:
            continue
        like = [column for column in strange if is_like(column, these)]
        if like:
            result[key] = like
            strange = [column for column in strange if column not in like]
            # What one column is tells of the next: of two weights, of a weight and the cutter.
            these = replace(these, columns={**these.columns, key: like[0]})
    return result


def _with(column: SeenColumn, these: Surveyed, key: str) -> float:
    """Return the correlation of a column with a known one.

    0 where nothing tells it.
    """
    if key not in these.columns:
        return 0.0
    own, known = column.cells.numbers, these.columns[key].cells.numbers
    both = np.isfinite(own) & np.isfinite(known)
    if both.sum() < LEAST_TOGETHER or np.ptp(own[both]) == 0 or np.ptp(known[both]) == 0:
        return 0.0
    # Ranks, so that a spike of a sensor does not hide it.
    return float(pd.Series(own[both]).corr(pd.Series(known[both]), method="spearman"))


def _is_core(column: SeenColumn, these: Surveyed) -> bool:
    if _with(column, these, "depth") < TOGETHER:
        return False
    depth = these.columns["depth"].cells.numbers
    ratio = float(np.nanmedian(column.cells.numbers / np.where(depth > 0, depth, np.nan)))
    return LIKE_A_CORE[0] <= ratio <= LIKE_A_CORE[1]


def _is_swe(column: SeenColumn, these: Surveyed) -> bool:
    return _with(column, these, "depth") >= TOGETHER and fits_snow(these, swe=column)


def _is_depth(column: SeenColumn, these: Surveyed) -> bool:
    return _with(column, these, "swe") >= TOGETHER and fits_snow(these, depth=column)


def _is_count(column: SeenColumn, _: Surveyed) -> bool:
    known = column.cells.known
    return bool(((known >= 1) & (known <= MOST_CORES) & (known % 1 == 0)).all()) and len(known) * 2 < len(
        column.cells.texts
    )


def _is_full(column: SeenColumn, these: Surveyed) -> bool:
    """Return whether a column rises with the depth, and another is a tube that weighs less and always the same."""
    return _with(column, these, "depth") >= TOGETHER and "mass_full" not in these.columns


def _is_empty(column: SeenColumn, these: Surveyed) -> bool:
    if "mass_full" not in these.columns:
        return False
    known, full = column.cells.numbers, these.columns["mass_full"].cells.numbers
    both = np.isfinite(known) & np.isfinite(full)
    low, high = (known[both].min(), known[both].max()) if both.any() else (0.0, np.inf)
    return (
        bool(low > 0)
        and high <= LIKE_A_TUBE * low
        and bool((known[both] < full[both]).all())
        and _weighs_much(low, full)
    )


def _weighs_much(tube: float, full: np.ndarray) -> bool:
    """Return whether a tube is a good part of what it weighs with its core."""
    return tube >= LEAST_TUBE * float(np.nanmedian(full))


LIKE_A_TUBE, LEAST_TUBE = 1.3, 0.2
"""Heaviest empty tube of a sheet over the lightest (snow sticks to it), and its least share of a full one's weight (common practice,
no source)."""


def _is_cutter(column: SeenColumn, these: Surveyed) -> bool:
    known = column.cells.known
    return len(np.unique(known)) <= MOST_CUTTERS and bool((known > 0).all()) and fits_weights(these, column)


MOST_CUTTERS = 3
"""Different bores in one table, at most (chosen)."""


def _is_total(column: SeenColumn, these: Surveyed) -> bool:
    known = column.cells.known
    steps = np.diff(known)
    rising = len(steps) > LEAST_TOGETHER and float((steps >= 0).mean()) >= RISING and np.ptp(known) > LEAST_TOGETHER
    return bool(rising) and bool((known >= 0).all()) and these.days is not None


def _is_air(column: SeenColumn, these: Surveyed) -> bool:
    known = column.cells.known
    # Winds and shares are never below zero; degrees Fahrenheit and kelvin may be asked for by their header alone.
    return bool((known < 0).any()) and bool((known > 0).any()) and fits_air(these, column)


_LIKE: Mapping[str, Mapping[str, Callable[[SeenColumn, Surveyed], bool]]] = {
    "courses": {
        "core": _is_core,
        "swe": _is_swe,
        "depth": _is_depth,
        "mass_full": _is_full,
        "mass_empty": _is_empty,
        "cutter": _is_cutter,
        "cores": _is_count,
    },
    "stations": {
        "swe": _is_swe,
        "depth": _is_depth,
        "precipitation_total": _is_total,
        "air_temperature": _is_air,
    },
}
"""For each table, what the values of a key that it may lack are like."""


def is_accumulated(numbers: np.ndarray, sites: Sequence[str]) -> bool | None:
    """Return whether precipitation is counted up from reading to reading.

    None where the values do not tell it.

    Parameters
    ----------
    numbers : readings in the file's order, NaN where there is none.
    sites : the site of each.
    """
    there = np.isfinite(numbers) & (numbers >= 0) & ~np.isin(numbers, CODES)
    steps = pd.Series(numbers[there]).groupby(np.asarray(sites)[there], sort=False).diff().dropna()
    # A gauge that is emptied falls once by all that it held.
    emptied = steps < -EMPTIED * numbers[there].max(initial=0.0)
    rises, falls = float(steps.clip(lower=0).sum()), float(-steps[~emptied].clip(upper=0).sum())
    if len(steps) < LEAST_TOGETHER or rises == 0.0:
        return None
    share = falls / rises
    many = float(emptied.mean()) > SELDOM
    return None if SURELY_TOTAL < share < SURELY_DAILY else share <= SURELY_TOTAL and not many


EMPTIED, SELDOM = 0.5, 0.02
"""A fall by half of the most is that of an emptied gauge, where no more than a fiftieth of the steps are such falls (chosen)."""

SURELY_TOTAL, SURELY_DAILY = 0.3, 0.6
"""Sum of falls over sum of rises: a gauge falls by its noise alone, daily amounts fall as much as they rise (common practice)."""
