"""What the values of a column tell about which canonical column it is, beside its header."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from snowtally.inputs import read_covers, read_overrides
from snowtally.proposals.cells import Cells
from snowtally.proposals.dates_known import FIRST_YEAR, LAST_YEAR
from snowtally.proposals.kinds_known import kind_of
from snowtally.proposals.proposal import BasinHint
from snowtally.proposals.seen_columns import DATED, LEAST_FIT, MOST_SITES, FolderEvidence, SeenColumn, SeenTable
from snowtally.proposals.table_keys import DATES, NEVER_NUMBERS, NUMBERS, PATHS
from snowtally.proposals.units_known import AREA, MASS

CLEAR = 0.1
"""Fits that differ by less are two readings (chosen: a word more or less in a header of three differs by a third)."""


def could_be(meaning: str, column: SeenColumn) -> bool:
    """Return whether a column's values may have a meaning at all."""
    if meaning in DATED:
        return column.cells.is_dated or column.cells.is_empty
    if meaning in NUMBERS and meaning != "depth":
        return column.cells.is_numeric or column.cells.is_empty
    if meaning == "period":
        return _LOOKS[meaning](column.cells.few) > 0.0
    return True


def may_hold(role: str, key: str, column: SeenColumn) -> bool:
    """Return whether a column's values can be those of a key."""
    cells = column.cells
    if role == "flights" and key in ("depth", *PATHS):
        return cells.is_paths or (cells.is_empty and key != "depth")
    if cells.is_empty:
        return key not in ("site_id", "date", "time", "swe", "depth", "day", "longitude", "latitude", "path")
    return _kind_of_values(role, key)(cells)


def _kind_of_values(role: str, key: str) -> Callable[[Cells], bool]:
    """Return what tells whether some fields can be the values of a key."""
    kinds: list[tuple[bool, Callable[[Cells], bool]]] = [
        (key in PATHS, lambda cells: cells.is_paths),
        (key in ("longitude", "latitude"), lambda cells: cells.is_numeric or _is_angle_text(cells.few)),
        (key in DATES or (role == "overrides" and key in ("start", "end")), lambda cells: cells.is_dated),
        (key in NUMBERS, lambda cells: cells.is_numeric),
        (key == "day", lambda _: True),
        (key in NEVER_NUMBERS, lambda cells: not cells.is_numeric and not cells.is_paths and not cells.is_dated),
    ]
    return next((fits for applies, fits in kinds if applies), _is_plain)


def _is_plain(cells: Cells) -> bool:
    return not cells.is_paths and (cells.is_numeric or not cells.is_dated)


def _is_angle_text(texts: Sequence[str]) -> bool:
    """Return whether texts are degrees, minutes and perhaps seconds."""
    return bool(texts) and all(_ANGLE.fullmatch(text) for text in texts)


_ANGLE = re.compile(
    r"[NSEWOØ]?\s*[+-]?\d{1,3}\s*(°|º|d|:|\s)\s*\d{1,2}([.,]\d+)?\s*(['\u2032\u2019:m]|\s)?"
    r"\s*(\d{1,2}([.,]\d+)?\s*([\"\u2033\u201d s]|'')?)?\s*[NSEWOØ]?"
)
"""Degrees and minutes, with or without seconds and the half of the earth."""


def by_values(role: str, key: str, column: SeenColumn, table: SeenTable, beside: FolderEvidence) -> float:
    """Return what a column's values add to the fit of its words.

    Values alone are enough for what nothing else looks like; else they decide between columns that words leave open.
    """
    texts, few = column.cells.filled, column.cells.few
    if key in _LOOKS and (role, key) != ("overrides", "variable"):
        return _LOOKS[key](few) if texts else 0.0
    if key == "site_id":
        is_code = not table.raw.header and len(set(texts)) == len(texts) and not any(" " in text for text in few)
        return _site_bonus(role, few, texts, beside.site_ids | beside.names) + 0.3 * is_code
    if key in _OF_COURSES:
        return _OF_COURSES[key](column, table)
    if (role, key) == ("sites", "name") and _stand_in_headers(texts, beside.headers):
        return LEAST_FIT + CLEAR
    return _unsaid(key, column, table, beside)


def _unsaid(key: str, column: SeenColumn, table: SeenTable, beside: FolderEvidence) -> float:
    """Return what values add where the header says nothing, or nothing else looks like a day."""
    if not table.raw.header:
        return _without_header(key, column, beside)
    if key in ("date", "time") and _only_dated(column, table):
        return 0.4
    is_known = any(share >= LEAST_FIT for share in column.meanings.values())
    return 0.0 if is_known else _unknown_header(key, column, beside)


def _is_weight(column: SeenColumn, table: SeenTable, *, heavier: bool) -> float:
    """Return what stated units add.

    Of two columns of weights the heavier is the full tube's.
    """
    weights = [one for one in table.columns if _measures(one, MASS) and one.cells.is_numeric]
    both = 2
    if column not in weights or len(weights) != both:
        return 0.0
    return BY_UNIT * ((column is max(weights, key=lambda one: float(np.median(one.cells.known)))) == heavier)


def _measures(column: SeenColumn, what: str) -> bool:
    return column.unit is not None and column.unit.measures == what


def _is_planned(column: SeenColumn) -> float:
    """Return what days add that surveys are planned for, whatever word of another table the header may be."""
    of_month = [(one.days - one.days.astype("datetime64[M]")).astype(int) + 1 for one in column.cells.dates]
    return LEAST_FIT + CLEAR if any(bool(np.isin(days, PLANNED_DAYS).all()) for days in of_month) else 0.0


def _begins_anew(column: SeenColumn) -> float:
    """Return what repeated texts add: points begin anew with each visit.

    So that there are far fewer than rows.
    """
    texts = column.cells.filled
    return 0.05 if len(set(texts)) * 2 <= len(texts) else -0.05


_OF_COURSES: Mapping[str, Callable[[SeenColumn, SeenTable], float]] = {
    "mass_full": lambda column, table: _is_weight(column, table, heavier=True),
    "mass_empty": lambda column, table: _is_weight(column, table, heavier=False),
    # Nothing else of a sheet is an area.
    "cutter": lambda column, _: BY_UNIT * _measures(column, AREA),
    "nominal_date": lambda column, _: _is_planned(column),
    # A tube has a name or a number; its weight and its bore are numbers alone.
    "sampler": lambda column, _: -CLEAR * column.cells.is_numeric,
    "point": lambda column, _: _begins_anew(column),
}
"""What values add to the fit of columns that only courses have."""

BY_UNIT = 0.5
"""What a unit that no other column of a sheet has adds to a fit (chosen: more than two words that contradict each other)."""


def _unknown_header(key: str, column: SeenColumn, beside: FolderEvidence) -> float:
    """Return how well a column whose header says nothing fits a key.

    Where its values are like no other's.
    """
    cells, hint = column.cells, beside.hint
    if key in ("date", "time"):
        return LEAST_FIT
    if key == "kind":
        return 0.7 if all(kind_of(text) for text in cells.few) else 0.0
    if key == "depth_se":
        # Of a flight nothing else is a number.
        return LEAST_FIT
    return LEAST_FIT + CLEAR if hint is not None and cells.is_numeric and _is_where(key, cells, hint) else 0.0


PLANNED_DAYS = (1, 15, 16)
"""Days of the month for which surveys are planned (common practice, no source)."""


def _is_where(key: str, cells: Cells, hint: BasinHint) -> bool:
    """Return whether numbers are longitudes, latitudes or heights of the basin."""
    limits = {
        "longitude": (hint.west, hint.east),
        "latitude": (hint.south, hint.north),
        "elevation": (hint.lowest_m, hint.highest_m),
    }
    low, high = limits.get(key, (float("nan"), float("nan")))
    return bool(((cells.known >= low) & (cells.known <= high)).all())


def _fully(form: str, texts: Sequence[str]) -> bool:
    return all(re.fullmatch(form, text) for text in texts)


_LOOKS: Mapping[str, Callable[[Sequence[str]], float]] = {
    "variable": lambda few: 1.0 if set(few) <= set(read_covers.VARIABLES) else -1.0,
    "action": lambda few: 1.0 if {text.casefold() for text in few} <= set(read_overrides.ACTIONS) else -1.0,
    "path": lambda _: 0.5,
    "day": lambda few: 0.7 if _fully(r"\d{2}-\d{2}", few) else -1.0,
    "period": lambda few: 0.7 if _fully(r"\d{4}\s*[-\u2013/]\s*\d{4}", few) else 0.0,
}
"""What the values of some keys look like, as nothing else does; below zero where a key's values must look so."""


def _without_header(key: str, column: SeenColumn, beside: FolderEvidence) -> float:
    """Return how well a column without a header fits a key.

    By its values alone.
    """
    cells, hint = column.cells, beside.hint
    if key in ("date", "time"):
        return 0.6
    if key == "kind":
        return 0.9 if all(kind_of(text) for text in cells.few) else 0.0
    if key == "name":
        return 0.4 + 0.1 * (sum(" " in text for text in cells.few) * 2 > len(cells.few))
    if hint is None or not cells.is_numeric:
        return 0.0
    limits = {
        "longitude": (hint.west, hint.east),
        "latitude": (hint.south, hint.north),
        "elevation": (hint.lowest_m, hint.highest_m * FEET_A_METRE),
    }
    low, high = limits.get(key, (float("nan"), float("nan")))
    inside = float(((cells.known >= low) & (cells.known <= high)).mean())
    # Years of the first survey may lie in the basin's heights.
    is_years = key == "elevation" and bool(((cells.known >= FIRST_YEAR) & (cells.known <= LAST_YEAR)).all())
    return (0.8 - 0.3 * is_years) if inside > LEAST_KNOWN else 0.0


FEET_A_METRE = 3.28
"""Heights may be written in feet."""


def _site_bonus(role: str, few: Sequence[str], texts: Sequence[str], site_ids: frozenset[str]) -> float:
    known = sum(text in site_ids for text in few) / max(1, len(few))
    bonus = 0.5 if known > LEAST_KNOWN else 0.0
    if role == "sites":
        # Each site has one row; identifiers are short.
        bonus = 0.5 * known if known > SOME_KNOWN else 0.0
        bonus += 0.05 * (len(set(texts)) == len(texts)) - 0.5 * (len(set(texts)) * 2 < len(texts))
        bonus += 0.06 * (sum(" " in text for text in few) * 2 < len(few))
    return bonus


def _stand_in_headers(texts: Sequence[str], headers: str) -> bool:
    """Return whether different texts, a row each, stand in the headers of other tables: so stations are named."""
    if not headers or len(set(texts)) < len(texts) or len(texts) > MOST_SITES:
        return False
    inside = [text for text in texts if any(map(str.isalpha, text)) and text.casefold() in headers.casefold()]
    named = [one for one in inside if re.search(rf"(?<![^\W_]){re.escape(one)}(?![^\W_])", headers, re.IGNORECASE)]
    return len(named) >= LEAST_NAMED


LEAST_NAMED = 2
"""Sites that headers name, at least: a single word may stand in any header."""


SOME_KNOWN = 0.1
"""A list of a region's sites holds many that no table of the folder has."""

LEAST_KNOWN = 0.5
"""A column holds sites where half of its texts are sites of other tables; a few may stand in one table alone."""


def _only_dated(column: SeenColumn, table: SeenTable) -> bool:
    return [one.position for one in table.columns if one.cells.is_dated] == [column.position]
