"""From the text of a column to its values: numbers, dates and times, with which of them cannot be read.

Text comes as Arrow strings, null where there is no value. The quick way converts a whole column at once; where a single
value resists, all are looked at by the pattern of what is allowed. Both ways give the same values.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

INSTANT, BARE_DATE, LOCAL_TIME = 0, 1, 2
"""What a time is: an instant in UTC, the midnight that begins a bare date, a local time whose clock must be declared."""

NO_TIME = np.iinfo(np.int64).min
"""datetime64's "not a time" as a number."""

_NUMBER = r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"
_CLOCK = r"(?:[T ]\s*(?P<hour>\d{1,2}):(?P<minute>\d{2})(?::(?P<second>\d{2})(?:[.,]\d+)?)?)?"
_OFFSET = r"\s*(?P<offset>[Zz]|UTC|[+-]\d{2}(?::?\d{2})?)?$"
_BASIC_CLOCK = r"(?:T(?P<hour>\d{2}):?(?P<minute>\d{2})(?::?(?P<second>\d{2})(?:[.,]\d+)?)?)?"
_TIME = {
    "year-first": r"^(?P<year>\d{4})[-/.](?P<month>\d{1,2})[-/.](?P<day>\d{1,2})" + _CLOCK + _OFFSET,
    "basic": r"^(?P<year>\d{4})(?P<month>\d{2})(?P<day>\d{2})" + _BASIC_CLOCK + _OFFSET,
    "day-first": r"^(?P<day>\d{1,2})[-/.](?P<month>\d{1,2})[-/.](?P<year>\d{4})" + _CLOCK + _OFFSET,
    "month-first": r"^(?P<month>\d{1,2})[-/.](?P<day>\d{1,2})[-/.](?P<year>\d{4})" + _CLOCK + _OFFSET,
}
_ISO = ("year-first", "basic")
"""Orders of ISO 8601, extended and basic, that are understood everywhere: no other way of writing gives the same digits."""
_FIRST_SERIAL, _LAST_SERIAL = 61.0, 100_000.0
"""Excel's serial days before March 1900 count a leap day that was none; a hundred thousand is in 2173."""


@dataclass(frozen=True)
class Writing:
    """How the values of a file are written.

    This is the decimal mark, the order of dates, and the codes that mean "no value".
    """

    decimal: str = "."
    dates: str = "year-first"
    missing: tuple[str, ...] = ("",)

    @property
    def missing_numbers(self) -> np.ndarray:
        """The codes that are numbers: -9999.0 and -9999 are the same code."""
        return np.array([float(code) for code in self.missing if _is_number(code)])


def _is_number(code: str) -> bool:
    try:
        return np.isfinite(float(code))
    except ValueError:
        return False


def numeric(codes: Sequence[str]) -> tuple[str, ...]:
    """Return the codes that mean no value in any column.

    Those are the empty text and numbers; a word may be a name.
    """
    return tuple(code for code in codes if code == "" or _is_number(code))


def given(text: pa.Array, missing: Sequence[str]) -> pa.Array:
    """Return trimmed text, null where it means no value."""
    trimmed = pc.utf8_trim_whitespace(text)
    nothing = pc.is_in(trimmed, pa.array(["", *missing], trimmed.type))
    return pc.if_else(nothing, pa.scalar(None, trimmed.type), trimmed)


def texts(text: pa.Array, writing: Writing, words: Mapping[str, str]) -> pa.DictionaryArray:
    """Return text, trimmed, as a dictionary; what is missing is the empty text.

    Of the codes for no value those that are numbers count: M is a site's or a point's name as good as any.

    Parameters
    ----------
    words : what words of the file mean, by the plain word; others stay as they are.
    """
    coded = pc.dictionary_encode(text)
    trimmed = pc.fill_null(given(coded.dictionary.cast(pa.string()), numeric(writing.missing)), "")
    if words:
        trimmed = pa.array([words.get(word.casefold(), word) for word in trimmed.to_pylist()], pa.string())
    # Two spellings of one text, with and without blanks, are one.
    unique = pc.unique(pa.concat_arrays([trimmed, pa.array([""])]))
    numbers = pc.index_in(trimmed, unique)
    codes = pc.fill_null(pc.take(numbers, coded.indices), pc.index_in(pa.array([""]), unique)[0])
    return pa.DictionaryArray.from_arrays(codes.cast(pa.int32()), unique)


def numbers(text: pa.Array, writing: Writing) -> tuple[np.ndarray, np.ndarray]:
    """Return numbers, float64, and a mask of texts that are none.

    NaN where there is no value.
    """
    if text.null_count == len(text):
        return np.full(len(text), np.nan), np.zeros(len(text), bool)
    values, wrong = _cast(text, writing)
    if wrong.any():
        # Codes that are words are looked for only where something is no number.
        text = given(text, writing.missing)
        values, wrong = _cast(text, writing)
    if wrong.any():
        plain = text
        if writing.decimal != ".":
            plain = pc.replace_substring(pc.replace_substring(text, ".", "?"), writing.decimal, ".")
        fits = pc.match_substring_regex(plain, _NUMBER)
        values = _as_numpy(pc.cast(pc.if_else(fits, plain, pa.scalar(None, plain.type)), pa.float64()))
        wrong = np.asarray(text.is_valid()) & ~np.isfinite(values)
        values = np.where(wrong, np.nan, values)
    if len(writing.missing_numbers):
        values = np.where(np.isin(values, writing.missing_numbers), np.nan, values)
    return values, wrong


def _cast(text: pa.Array, writing: Writing) -> tuple[np.ndarray, np.ndarray]:
    """Return numbers cast at once, and a mask of what is none.

    All is none where a single text cannot be cast.
    """
    if writing.decimal == ".":
        try:
            values = _as_numpy(pc.cast(text, pa.float64()))
        except pa.ArrowInvalid:
            pass
        else:
            return values, ~np.isfinite(values) & np.asarray(text.is_valid())
    # Another decimal mark is looked at one by one: a point is none there.
    return np.full(len(text), np.nan), np.ones(len(text), bool)


def _as_numpy(values: pa.Array) -> np.ndarray:
    return pc.fill_null(values, np.nan).to_numpy(zero_copy_only=False)


def dates(text: pa.Array, writing: Writing) -> tuple[np.ndarray, np.ndarray]:
    """Return dates at midnight, and a mask of wrong texts.

    The dates are datetime64[s]. A wrong text is there but is no date. A time of day without an offset is dropped: the
    day on the sheet is the day. An instant with an offset is wrong.
    """
    if is_pattern(writing.dates):
        return _days_of(text, writing)
    try:
        days = pc.cast(text, pa.date32()).to_numpy(zero_copy_only=False).astype("datetime64[s]")
        return days, np.zeros(len(text), bool)
    except pa.ArrowInvalid:
        pass
    return _days_of(text, writing)


def _days_of(text: pa.Array, writing: Writing) -> tuple[np.ndarray, np.ndarray]:
    seconds, kind, wrong = times(text, writing)
    wrong |= (kind == INSTANT) & (seconds != NO_TIME)
    days = seconds.view("datetime64[s]").astype("datetime64[D]").astype("datetime64[s]")
    return np.where(wrong, np.datetime64("NaT"), days), wrong


def times(text: pa.Array, writing: Writing) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times as seconds, their kinds, and wrong texts.

    The seconds count from 1970. A wrong text is there but is no time.

    Returns
    -------
    seconds : int64; of a bare date its midnight, of a local time as if its clock were UTC; datetime64's "not a time"
        where there is none.
    kind : int8, INSTANT, BARE_DATE or LOCAL_TIME.
    wrong : mask.

    ISO 8601 in all its usual forms; day-first, month-first, Excel's serial days and patterns of strptime where declared.
    24:00 is the midnight that ends the day. Parts of a second are left out.
    """
    if is_pattern(writing.dates):
        return _times_by_strptime(text, writing)
    n = len(text)
    for type_, what in ((pa.timestamp("s", "UTC"), INSTANT), (pa.date32(), BARE_DATE)):
        try:
            instants = pc.cast(text, type_).cast(pa.timestamp("s"))
        except pa.ArrowInvalid:
            continue
        return _seconds(instants), np.full(n, what, np.int8), np.zeros(n, bool)
    text = given(text, writing.missing)
    seconds, kind = np.full(n, NO_TIME), np.zeros(n, np.int8)
    for order in dict.fromkeys([*_ISO, *({writing.dates} & set(_TIME))]):
        _by_pattern(text, order, seconds, kind)
    if writing.dates == "excel-serial":
        _serials(text, writing, seconds, kind)
    return seconds, kind, np.asarray(text.is_valid()) & (seconds == NO_TIME)


def _seconds(instants: pa.Array) -> np.ndarray:
    return pc.fill_null(instants.cast(pa.int64()), NO_TIME).to_numpy(zero_copy_only=False)


def is_pattern(dates: str) -> bool:
    """Return whether a way of writing dates is a pattern of strptime, and none of the words."""
    return "%" in dates


_YEAR_DAY_MONTH = re.compile(r"%Y\W*%d\W*%m")
"""The one order in which the same text is another day than ISO 8601 reads in it."""


def _times_by_strptime(text: pa.Array, writing: Writing) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return times as `times` does, by a declared pattern; what does not fit it may be in ISO 8601, as a workbook's dates."""
    text = given(text, writing.missing)
    coded = pc.dictionary_encode(text)
    read = [_by_strptime(one, writing.dates) for one in coded.dictionary.to_pylist()]
    codes = pc.fill_null(coded.indices, len(read)).to_numpy(zero_copy_only=False)
    seconds = np.array([*(one.seconds for one in read), NO_TIME], np.int64)[codes]
    kind = np.array([*(one.kind for one in read), INSTANT], np.int8)[codes]
    if not _YEAR_DAY_MONTH.search(writing.dates):
        for order in _ISO:
            _by_pattern(text, order, seconds, kind)
    return seconds, kind, np.asarray(text.is_valid()) & (seconds == NO_TIME)


@dataclass(frozen=True)
class _Time:
    """A time as `times` gives it: seconds since 1970, and what it is."""

    seconds: int
    kind: int


def _by_strptime(text: str, pattern: str) -> _Time:
    """Return the time that a text is by a pattern, `NO_TIME` where it does not fit."""
    has_clock, has_offset = re.search(r"%[HIcX]", pattern) is not None, "%z" in pattern
    try:
        if has_offset:
            time = dt.datetime.strptime(text, pattern).astimezone(dt.UTC)
        else:
            time = dt.datetime.strptime(text, pattern).replace(tzinfo=dt.UTC)
    except (ValueError, OverflowError):
        return _Time(NO_TIME, INSTANT)
    return _Time(math.floor(time.timestamp()), INSTANT if has_offset else LOCAL_TIME if has_clock else BARE_DATE)


def _by_pattern(text: pa.Array, order: str, seconds: np.ndarray, kind: np.ndarray) -> None:
    """Fill in the times that are written in an order of date parts, in rows without a time.

    Days that do not exist are left out.
    """
    parts = pc.extract_regex(text, _TIME[order])
    rows = np.flatnonzero(np.asarray(parts.is_valid()) & (seconds == NO_TIME))
    if len(rows) == 0:
        return
    parts = parts.take(pa.array(rows))

    def part(name: str) -> np.ndarray:
        piece = pc.struct_field(parts, name)
        return pc.cast(pc.if_else(pc.equal(piece, ""), "0", piece), pa.int64()).to_numpy(zero_copy_only=False)

    year, month, day = part("year"), part("month"), part("day")
    possible = (year >= 1) & (month >= 1) & (month <= MONTHS) & (day >= 1)
    first = (np.where(possible, (year - 1970) * MONTHS + month - 1, 0)).astype("datetime64[M]")
    midnight = first.astype("datetime64[D]") + (day - 1).astype("timedelta64[D]")
    possible &= midnight.astype("datetime64[M]") == first
    hour, minute, second = part("hour"), part("minute"), part("second")
    whole_day = (hour == END_OF_DAY) & (minute == 0) & (second == 0)
    possible &= ((hour < END_OF_DAY) | whole_day) & (minute < SIXTY) & (second < SIXTY)
    offset = pc.struct_field(parts, "offset")
    has_clock = np.asarray(pc.not_equal(pc.struct_field(parts, "hour"), ""))
    has_offset = np.asarray(pc.not_equal(offset, ""))
    # An offset without a time of day says of no instant.
    possible &= has_clock | ~has_offset
    east = np.zeros(len(rows), np.int64)
    if has_offset.any():
        digits = pc.replace_substring_regex(offset, r"[Zz]|UTC|:", "")
        hours = pc.cast(pc.if_else(pc.equal(digits, ""), "0", pc.utf8_slice_codeunits(digits, 1, 3)), pa.int64())
        rest = pc.utf8_slice_codeunits(digits, 3, 5)
        minutes = pc.cast(pc.if_else(pc.equal(rest, ""), "0", rest), pa.int64())
        sign = np.where(np.asarray(pc.starts_with(digits, "-")), -1, 1)
        east = sign * (hours.to_numpy(zero_copy_only=False) * 3600 + minutes.to_numpy(zero_copy_only=False) * 60)
        possible &= np.abs(east) <= MOST_EAST_S
    written = midnight.astype("datetime64[s]").astype(np.int64) + hour * 3600 + minute * 60 + second - east
    what = np.where(has_offset, INSTANT, np.where(has_clock, LOCAL_TIME, BARE_DATE))
    seconds[rows[possible]], kind[rows[possible]] = written[possible], what[possible]


MONTHS, END_OF_DAY, SIXTY = 12, 24, 60

MOST_EAST_S = 14 * 3600
"""No clock on earth is further from UTC."""


def _serials(text: pa.Array, writing: Writing, seconds: np.ndarray, kind: np.ndarray) -> None:
    """Fill in the times that are Excel's serial days.

    They count days from 1899-12-30, and the fraction is the time of day. `seconds` and `kind` change in place, in rows
    without a time.
    """
    serial, _ = numbers(text, writing)
    rows = np.flatnonzero((serial >= _FIRST_SERIAL) & (serial < _LAST_SERIAL) & (seconds == NO_TIME))
    start = np.datetime64("1899-12-30", "s").astype(np.int64)
    seconds[rows] = start + np.round(serial[rows] * 86400.0).astype(np.int64)
    kind[rows] = np.where(serial[rows] == np.floor(serial[rows]), BARE_DATE, LOCAL_TIME)
