"""In which ways a column's texts are dates or times, and which of the ways the evidence chooses."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from snowtally.inputs import values
from snowtally.inputs.summary_rows import is_summary

READABLE_SHARE = 0.9
"""Texts of a column of dates that are dates, at least; the others are slips or notes."""

FIRST_YEAR, LAST_YEAR = 1900, 2100
"""Years of snow records. The first snow courses were measured in 1906 (common practice, no source)."""

_WORDS = ("year-first", "day-first", "month-first")


@dataclass(frozen=True)
class DateReading:
    """A way to read a column's texts as dates.

    Parameters
    ----------
    way : as `dates` in the settings: a word or a pattern of strptime.
    seconds : since 1970, int64, by the text's own clock; `values.NO_TIME` where a text is no date.
    has_clock : whether times of day stand there.
    offsets_hours : UTC offsets that stand in the texts.
    """

    way: str
    seconds: np.ndarray
    has_clock: bool
    offsets_hours: tuple[float, ...] = ()

    @property
    def is_there(self) -> np.ndarray:
        """Which texts are dates."""
        return self.seconds != values.NO_TIME

    def agrees_with(self, seconds: np.ndarray) -> bool:
        """Return whether the same texts read in another way give the same times, where both are dates."""
        both = self.is_there & (seconds != values.NO_TIME)
        return bool(both.any()) and bool(np.array_equal(self.seconds[both], seconds[both]))

    @property
    def days(self) -> np.ndarray:
        """The days that there are, datetime64[D]."""
        return self.seconds[self.is_there].astype("datetime64[s]").astype("datetime64[D]")

    @property
    def has_local_times(self) -> bool:
        """Whether there are times of day without an offset."""
        return self.has_clock and not self.offsets_hours


def date_readings(texts: Sequence[str], *, may_be_serial: bool) -> tuple[DateReading, ...]:
    """Return the ways in which texts are dates.

    Empty where they are none.

    Parameters
    ----------
    may_be_serial : whether plain numbers may be days, as the header says.
    """
    # The foot of a visit may say "Average" where its days stand.
    unique = sorted({text for text in texts if text and not is_summary(text)})
    if not unique or sum(any(c.isdigit() for c in text) for text in unique) < READABLE_SHARE * len(unique):
        return ()
    plain = sum(text.replace(".", "", 1).isdigit() for text in unique) > len(unique) / 2
    if plain and not may_be_serial and not all(re.fullmatch(r"(19|20)\d{6}", text) for text in unique[:50]):
        return ()
    readings = []
    ways = [*_WORDS, *_patterns(unique)]
    if plain and may_be_serial:
        ways = [*ways, "excel-serial"]
    at = {text: number for number, text in enumerate(unique)}
    rows = np.array([at.get(text, -1) for text in texts])
    weights = np.bincount(rows[rows >= 0], minlength=len(unique))
    for way in dict.fromkeys(ways):
        seconds, clock = _read(unique, way)
        good = (seconds != values.NO_TIME) & _in_years(seconds)
        if weights[good].sum() < READABLE_SHARE * weights.sum():
            continue
        offsets = _offsets([text for text, fine in zip(unique, good, strict=True) if fine])
        all_seconds = np.where(rows >= 0, np.where(good, seconds, values.NO_TIME)[rows], values.NO_TIME)
        readings.append(DateReading(way, all_seconds, bool(clock[good].any()), offsets))
    # What is year-first needs no other way: it is understood everywhere.
    for one in readings:
        if one.way == "year-first":
            return (one,)
    return tuple(readings)


def _in_years(seconds: np.ndarray) -> np.ndarray:
    first, last = (np.datetime64(f"{year}-01-01", "s").astype(np.int64) for year in (FIRST_YEAR, LAST_YEAR))
    return (seconds >= first) & (seconds < last)


def _read(texts: Sequence[str], way: str) -> tuple[np.ndarray, np.ndarray]:
    """Return texts as seconds, and which of them have a time of day."""
    if "%" not in way:
        seconds, kind, _ = values.times(pa.array(texts, pa.string()), values.Writing(dates=way))
        return seconds, kind != values.BARE_DATE
    seconds, clock = np.full(len(texts), values.NO_TIME), np.full(len(texts), "%H" in way or "%I" in way)
    for number, text in enumerate(texts):
        try:
            moment = dt.datetime.strptime(f"{text} +0000", f"{way} %z")
        except ValueError:
            continue
        seconds[number] = np.datetime64(moment.replace(tzinfo=None), "s").astype(np.int64)
    return seconds, clock


_TIME = (
    (r"\d{1,2}:\d{2}:\d{2}\s+[AaPp][Mm]$", "%I:%M:%S %p"),
    (r"\d{1,2}:\d{2}\s+[AaPp][Mm]$", "%I:%M %p"),
    (r"\d{1,2}:\d{2}[AaPp][Mm]$", "%I:%M%p"),
    (r"\d{1,2}:\d{2}:\d{2}$", "%H:%M:%S"),
    (r"\d{1,2}:\d{2}$", "%H:%M"),
    (r"(?<=\s)\d{1,2}\.\d{2}$", "%H.%M"),
    (r"(?<=[ T])\d{4}$", "%H%M"),
)

_DAY = (
    (r"(\d{1,2})([-/. ]\s?)(\d{1,2})([-/. ]\s?)(\d{4})", ("%d{}%m{}%Y", "%m{}%d{}%Y")),
    (r"(\d{4})([-/. ]\s?)(\d{1,2})([-/. ]\s?)(\d{1,2})", ("%Y{}%m{}%d",)),
    (r"(\d{1,2})([-/.])(\d{1,2})([-/.])(\d{2})", ("%d{}%m{}%y", "%m{}%d{}%y", "%y{}%m{}%d")),
    (r"(\d{1,2})([-/. ]*)[A-Za-z]{3}([-/. ,]*)(\d{4})", ("%d{}%b{}%Y",)),
    (r"(\d{1,2})([-/. ]*)[A-Za-z]{3}([-/. ,]+)(\d{2})", ("%d{}%b{}%y", "%y{}%b{}%d")),
    (r"(\d{4})([-/. ]*)[A-Za-z]{3}([-/. ]*)(\d{1,2})", ("%Y{}%b{}%d",)),
    (r"(\d{1,2})([-/. ]+)[A-Za-z]{4,9}([-/. ,]+)(\d{4})", ("%d{}%B{}%Y",)),
    (r"[A-Za-z]{3}([-/. ]+)\d{1,2}([-/. ,]+)\d{4}", ("%b{}%d{}%Y",)),
    (r"[A-Za-z]{4,9}([-/. ]+)\d{1,2}([-/. ,]+)\d{4}", ("%B{}%d{}%Y",)),
    (r"(\d{4})(\d{2})(\d{2})", ("%Y%m%d",)),
    (r"(\d{2})(\d{2})(\d{4})", ("%d%m%Y", "%m%d%Y")),
)


def _patterns(texts: Sequence[str]) -> Iterator[str]:
    """Yield the patterns of strptime that the first, the middle and the last text may be written by."""
    for text in (texts[0], texts[len(texts) // 2], texts[-1]):
        yield from _day_patterns(text, "")
        for form, pattern in _TIME:
            match = re.search(form, text)
            if match and match.start():
                between = re.search(r"[T,\s]*$", text[: match.start()])
                gap = between[0] if between else ""
                yield from _day_patterns(text[: match.start() - len(gap)], gap + pattern)
                break
        compact = re.fullmatch(r"(\d{8})(\d{2})(\d{2})?(\d{2})?", text)
        if compact:
            yield from _day_patterns(compact[1], "%H" + "%M" * bool(compact[3]) + "%S" * bool(compact[4]))


def _day_patterns(day: str, tail: str) -> Iterator[str]:
    """Yield the patterns of a day, each with the pattern of the time after it."""
    for form, patterns in _DAY:
        match = re.fullmatch(form, day)
        if match:
            gaps = [part for part in match.groups() if not part or not part.isdigit()]
            yield from (pattern.format(*gaps) + tail for pattern in patterns)


def _offsets(texts: Sequence[str]) -> tuple[float, ...]:
    """Return the UTC offsets that stand in times, in hours."""
    offsets = set()
    for text in texts[:: max(1, len(texts) // 500)]:
        match = re.search(r"\d{1,2}:\d{2}(?::\d{2})?(?:[.,]\d+)?\s*(Z|z|UTC|[+-]\d{2}(?::?\d{2})?)$", text)
        if match is None:
            continue
        if match[1] in "ZzUTC":
            offsets.add(0.0)
        else:
            digits = match[1].replace(":", "")
            hours = int(digits[1:3]) + int(digits[3:5] or 0) / 60
            offsets.add(-hours if digits[0] == "-" else hours)
    return tuple(sorted(offsets))


@dataclass(frozen=True)
class ChosenDate:
    """The way in which dates are read.

    `others` are the ways that the evidence does not exclude.
    """

    reading: DateReading
    others: tuple[DateReading, ...]
    evidence: str


def chosen_date(readings: Sequence[DateReading], site: Sequence[str], today: dt.date) -> ChosenDate:
    """Return the way that the evidence chooses.

    Parameters
    ----------
    readings : at least one, as `date_readings` gives them.
    site : the site of each row; of a file of one site all the same.
    today : records do not lie after it by more than forecasts do.
    """
    left = list(readings)
    seen = left[0].way
    evidence = {
        "year-first": "dates begin with the year",
        "excel-serial": "plain numbers that are days of a spreadsheet",
    }.get(seen, "the only order in which all are dates" if len(left) == 1 else "")
    if len(left) > 1:
        # Equal dates in two spellings of one way are no question.
        left = [one for number, one in enumerate(left) if not any(_same(one, other) for other in left[:number])]
        evidence = "the only order in which all are dates"
    if len(left) > 1:
        limit = np.datetime64(today + dt.timedelta(days=FORECAST_DAYS))
        past = [one for one in left if not (one.days > limit).any()]
        if past and len(past) < len(left):
            left, evidence = past, "the other order has dates in the future"
    if len(left) > 1 and all(len(np.unique(one.days)) >= LEAST_DAYS for one in left):
        disorder = [_disorder(one, site) for one in left]
        least = min(disorder)
        calm = [one for one, share in zip(left, disorder, strict=True) if share <= least + CALM]
        if len(calm) < len(left) and max(disorder) > least + CLEAR_DISORDER:
            left, evidence = calm, "dates rise in this order and jump in the other"
    if len(left) > 1:
        evidence = "days and months are never above 12, and the order of the rows tells nothing"
    return ChosenDate(left[0], tuple(left[1:]), evidence)


FORECAST_DAYS = 20
"""Weather forecasts reach so far."""

LEAST_DAYS = 6
"""Different days from which their order tells how they are written: six in any order rise by chance once in 720 times, three in 6."""

CALM, CLEAR_DISORDER = 0.02, 0.2
"""Shares of steps back in time: in a wrong order of days and months a fifth of the steps go back (tried on made tables)."""


def _same(one: DateReading, other: DateReading) -> bool:
    return bool(np.array_equal(one.seconds, other.seconds))


def _disorder(reading: DateReading, site: Sequence[str]) -> float:
    """Return the share of steps from row to row of a site that go back in time."""
    order = np.argsort(np.unique(np.asarray(site), return_inverse=True)[1], kind="stable")
    seconds = np.where(reading.is_there, reading.seconds, 0)[order].astype(float)
    same = np.asarray(site)[order][1:] == np.asarray(site)[order][:-1]
    there = (reading.is_there[order][1:] & reading.is_there[order][:-1]) & same
    steps = np.diff(seconds)[there]
    moved = steps[steps != 0]
    if len(moved) == 0:
        return 0.0
    # A table whose newest row stands first falls everywhere.
    return float(min((moved < 0).mean(), (moved > 0).mean()))
