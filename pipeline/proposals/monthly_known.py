"""Course tables with a row a season.

Which columns are a month's, and what each of them holds.
"""

from __future__ import annotations

import datetime as dt
import re
from collections import defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from snowtally.inputs.monthly import date_in_words
from snowtally.proposals.dates_known import FIRST_YEAR, LAST_YEAR
from snowtally.proposals.headers_known import meanings
from snowtally.proposals.proposal import Proposal, Value
from snowtally.proposals.reshaped import Reshaped, stacked, tiled
from snowtally.proposals.seen_columns import LEAST_FIT, SeenColumn, SeenTable, is_water
from snowtally.proposals.units_known import folded, header_words

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
LEAST_MONTHS = 3
"""Months side by side that make a table one of seasons (chosen: two may be any other columns)."""

IN_GROUP = ("date", "depth", "swe", "density", "cores")
"""What a month's columns may hold."""


def month_of(header: str) -> int | None:
    """Return the month that a header names, 1 to 12.

    None where it names none.

    >>> month_of("Apr"), month_of("April 1 SWE"), month_of("04"), month_of("Depth")
    (4, 4, 4, None)
    """
    for word in re.findall(r"[a-z]+", folded(header)):
        if word[:3] in MONTHS and _MONTH.fullmatch(word):
            return MONTHS.index(word[:3]) + 1
    number = re.fullmatch(r"\D*?(0?[1-9]|1[0-2])(?!\d)\D*", header)
    return int(number[1]) if number else None


_MONTH = re.compile(
    r"jan(uary)?|feb(ruary)?|mar(ch)?|apr(il)?|may|june?|july?|aug(ust)?|sept?(ember)?|oct(ober)?|nov(ember)?|dec(ember)?"
)


def monthly_table(seen: SeenTable, known: frozenset[str]) -> Reshaped | None:
    """Return a table with a row a season as rows of one visit, None where it is none.

    `known` are sites' identifiers and names.
    """
    raw = seen.raw
    season = next((column for column in seen.columns if _is_season(column)), None)
    if season is None or not raw.header:
        return None
    by_month: dict[int, list[SeenColumn]] = defaultdict(list)
    for column in seen.columns:
        month = None if column is season else month_of(column.header)
        if month is not None:
            by_month[month].append(column)
    if len(by_month) < LEAST_MONTHS:
        return None
    first = 1 if _is_second_header(raw.rows[0], season.position) else 0
    notes = raw.rows[0] if first else ("",) * raw.width
    wide = max(map(len, by_month.values()))
    groups = [[own[at] for own in by_month.values() if at < len(own)] for at in range(wide)]
    keys = [_key_of(columns, notes, first) for columns in groups]
    if not {"depth", "swe"} & set(keys):
        return None
    waters = [at for at, columns in enumerate(groups) if not keys[at] and _all_water(columns, notes)]
    if "swe" not in keys and len(waters) == 1:
        keys[waters[0]] = "swe"
    doubts = [f"two columns of a month may be {key}" for key in IN_GROUP if keys.count(key) > 1]
    if "swe" not in keys:
        # Left unread it would be lost in silence.
        doubts += [
            f"no column of a month is recognised as swe, and nothing tells what stands under '{_heading(columns[0], notes)}'"
            for key, columns in zip(keys, groups, strict=True)
            if not key and any(np.isfinite(column.cells.numbers).any() for column in columns)
        ]
    group: list[Value] = [key if key in ("date", "depth", "swe", "cores") else "*" for key in keys]
    setting: Value = {"season": season.header, "group": group}
    evidence = f"a row a season under '{season.header}', {len(by_month)} months of {wide} columns side by side"
    proposals = [Proposal("monthly", setting, evidence)]
    if "date" in keys:
        at = keys.index("date")
        days = {month: own[at].cells.texts for month, own in by_month.items() if at < len(own)}
        of_season = [not _is_second_header(row, season.position) for row in raw.rows]
        proposals += _ways_of_days({month: _values(texts, of_season) for month, texts in days.items()})
    columns, rows = _rows(seen, season, by_month, keys, notes)
    others = [column for column in seen.columns if column is not season and month_of(column.header) is None]
    site = _site_of(others, known, first)
    if site is not None:
        columns["site_id"] = tiled(site, len(by_month))
    return Reshaped(
        "courses", columns, rows, frozenset({*columns} - {"site_id"}), tuple(proposals), evidence, tuple(doubts)
    )


def _ways_of_days(by_month: Mapping[int, Sequence[str]]) -> list[Proposal]:
    """Return how days in two numbers without a year are written, `28/12`: each lies near the first of its column's month."""
    texts = [(month, text.strip()) for month, own in by_month.items() for text in own if text]
    marked = [re.fullmatch(r"\d{1,2}([-/.])\d{1,2}(\.?)", text) for _, text in texts]
    if not marked or marked[0] is None or None in marked:
        return []
    mark, end = marked[0].groups()
    ways = [f"%d{mark}%m{end}", f"%m{mark}%d{end}"]
    ways = [way for way in ways if all(_is_near(text, month, way) for month, text in texts)]
    why = f"'{texts[0][1]}': so all days lie within {MOST_OFF} days of the first of their months"
    return [Proposal("dates", ways[0], why, tuple(ways[1:]), is_safe=len(ways) == 1)] if ways else []


MOST_OFF = 45
"""Days between a survey and the first of the month that it is for, at most (common practice, no source: within a week or two)."""


def _is_near(text: str, month: int, way: str) -> bool:
    first = dt.date(LEAP_YEAR, month, 1)
    said = date_in_words(text, first, way)
    return said != text and abs((dt.date.fromisoformat(said) - first).days) <= MOST_OFF


LEAP_YEAR = 2032
"""Any year that has every day."""


def _site_of(columns: Sequence[SeenColumn], known: frozenset[str], first: int) -> SeenColumn | None:
    """Return the column of sites: the header says it, or all its texts are known as sites; best both."""

    def fit(column: SeenColumn) -> float:
        texts = {text for text in column.cells.texts[first:] if text}
        return column.meanings.get("site_id", 0.0) + bool(texts and texts <= known)

    best = max(columns, key=fit, default=None)
    return best if best is not None and fit(best) > LEAST_FIT else None


def _is_season(column: SeenColumn) -> bool:
    years = column.cells.known
    is_year = len(years) > 1 and bool(((years >= FIRST_YEAR) & (years <= LAST_YEAR) & (years % 1 == 0)).all())
    return is_year and column.meanings.get("season", 0.0) > LEAST_FIT


def _is_second_header(row: Sequence[str], at: int) -> bool:
    return not re.fullmatch(r"\s*\d{4}\s*", row[at])


def _key_of(columns: Sequence[SeenColumn], notes: Sequence[str], first: int) -> str:
    """Return what the k-th column of each month holds.

    Empty where nothing tells it.
    """
    texts = [text for column in columns for text in column.cells.texts[first:] if text]
    named = {_named(column.header, notes[column.position]) for column in columns} - {""}
    dated = sum(bool(re.search(r"[A-Za-z]{3}|[-/.]\d", text)) and not _is_number(text) for text in texts)
    if texts and dated * 2 > len(texts):
        return "date"
    # The date of SWE's collection is called by both: its values have told already that it is none.
    left = {name for name in named if name != "date" or not texts}
    return left.pop() if len(left) == 1 else ""


def _is_number(text: str) -> bool:
    return bool(re.fullmatch(r"[+-]?\d*[.,]?\d+", text))


def _all_water(columns: Sequence[SeenColumn], notes: Sequence[str]) -> bool:
    return all(is_water(_plain(column.header, notes[column.position]), column) for column in columns)


def _plain(header: str, note: str) -> tuple[str, ...]:
    """Return the words of a month's column but for month and year: of the second line of headers, else beside the month."""
    words = header_words(note if note.strip() else header).words
    return tuple(word for word in words if not _MONTH.fullmatch(word) and not word.isdigit())


def _named(header: str, note: str) -> str:
    """Return what a month's column is called to hold.

    In the second line of headers, else beside the month.
    """
    plain = _plain(header, note)
    shares = {meaning: share for meaning, share in meanings(plain).items() if meaning in IN_GROUP} if plain else {}
    best = max(shares, key=lambda meaning: shares[meaning], default="")
    return best if best and shares[best] >= LEAST_SHARE else ""


LEAST_SHARE = 0.25
"""Share of a second header's letters that name what the column holds: the rest tells how it was measured (chosen)."""


def _rows(
    seen: SeenTable,
    season: SeenColumn,
    by_month: Mapping[int, Sequence[SeenColumn]],
    keys: Sequence[str],
    notes: Sequence[str],
) -> tuple[dict[str, SeenColumn], np.ndarray]:
    """Return the table as rows of one visit, month by month, and the row that each comes from.

    The date is the month's first in the calendar year of a season that ends in summer; what it is by the basin's season start
    does not bear on units.
    """
    many = len(seen.raw.rows)
    empty = ("",) * many
    # Tables that are joined have a second header each.
    is_season = [not _is_second_header(row, season.position) for row in seen.raw.rows]
    new: dict[str, SeenColumn] = {}
    for key in ("depth", "swe", "cores"):
        if key not in keys:
            continue
        at = keys.index(key)
        parts = [_values(own[at].cells.texts, is_season) if at < len(own) else empty for own in by_month.values()]
        column = next(own[at] for own in by_month.values() if at < len(own))
        new[key] = stacked(_heading(column, notes), parts, seen.decimal, column)
    years = season.cells.numbers
    dates = [
        [f"{int(year) - (month > SUMMER)}-{month:02d}-01" if np.isfinite(year) else "" for year in years]
        for month in by_month
    ]
    new["date"] = stacked("", dates, seen.decimal, season)
    return new, np.tile(np.arange(many), len(by_month))


def _heading(column: SeenColumn, notes: Sequence[str]) -> str:
    """Return a column's second header, where it has one, else its header."""
    return notes[column.position] if notes[column.position].strip() else column.header


def _values(texts: Sequence[str], is_season: Sequence[bool]) -> tuple[str, ...]:
    return tuple(text if holds else "" for text, holds in zip(texts, is_season, strict=True))


SUMMER = 9
"""Months after it belong to the season that ends in the next year."""
