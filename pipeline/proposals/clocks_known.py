"""The clock of times without an offset.

Where a file says it in words.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_NAMED = {
    "utc": 0.0,
    "gmt": 0.0,
    "mez": 1.0,
    "cet": 1.0,
    "hnec": 1.0,
    "akst": -9.0,
    "pst": -8.0,
    "mst": -7.0,
    "nzst": 12.0,
}
"""Clocks without daylight saving whose names mean one thing, hours east of UTC (IANA time zone database)."""

_ABOUT_TIMES = re.compile(r"time|clock|zeit|uhr|heure|hora|orari|ora\b|tid\b|klokke", re.IGNORECASE)
"""A line above the header tells the readings' clock only where it is about times."""

_NOT_READINGS = re.compile(r"\d{1,2}:\d{2}|as of|created|printed|exported|erstellt|generated", re.IGNORECASE)
"""Lines with a time of day are about the export."""


_SUMMER_TIME = re.compile(
    r"(?<![A-Za-z])(?:[PMCE]DT|AKDT|CEST|MESZ|HAEC|NZDT|AEDT|DST)(?![A-Za-z])|daylight|summer.?time|sommerzeit|heure d.?été|ora legale"
    r"|hora de verano|sommertid",
    re.IGNORECASE,
)
"""Names of clocks that are put forward in summer (IANA time zone database; common words of several languages)."""

_NO_SUMMER_TIME = re.compile(
    rf"(?:\bnot?|without|ohne|keine|sans|sin|senza|utan|uten)\s+(?:\w+\s+)?(?:{_SUMMER_TIME.pattern})(?:\s+saving)?",
    re.IGNORECASE,
)

_NOT_THIS = re.compile(
    r"\b(?:not|convert\w*|add|subtract|minus|plus|unless|except|nicht|sauf|excepto)\b", re.IGNORECASE
)
"""A line with such a word may name a clock that the times are not of."""

_FROM_IT = re.compile(r"\b(?:local|offset|lokal\w*|ortszeit|locale?)\b", re.IGNORECASE)
"""Beside the bare words UTC and GMT: the times are counted from it, but are not of it."""


@dataclass(frozen=True)
class ClockSaid:
    """A clock, hours east of UTC, and the text that says it."""

    hours: float
    text: str


def clock_said(texts: Sequence[str]) -> ClockSaid | None:
    """Return the clock that a header (the first text) or a line above it says.

    >>> clock_said(["Time (UTC)"]).hours, clock_said(["Zeit", "Zeitzone: UTC+1"]).hours, clock_said(["Time"])
    (0.0, 1.0, None)
    >>> clock_said(["Time (UTC offset -7)"]).hours, clock_said(["Time", "Times are local, not UTC"])
    (-7.0, None)
    """
    for number, text in enumerate(_about_readings(texts)):
        match = re.search(
            r"(?<![A-Za-z])(UTC|GMT)(?:\s*offset)?\s*[:=]?\s*([+\-\u2212]\s*\d{1,2})(?::?(\d{2}))?", text, re.IGNORECASE
        )
        if match is not None:
            hours = int(re.sub(r"\s", "", match[2]).replace("\u2212", "-"))
            part = int(match[3] or 0) / 60
            return ClockSaid(hours + (part if hours >= 0 else -part), text)
        if _NOT_THIS.search(text):
            continue
        for word in re.findall(r"[A-Za-z]+", text):
            if word.casefold() in _NAMED and (number == 0 or word.isupper()):
                hours_east = _NAMED[word.casefold()]
                if hours_east or not _FROM_IT.search(text):
                    return ClockSaid(hours_east, text)
    return None


def summer_time_said(texts: Sequence[str]) -> str:
    """Return the text that says that a clock is put forward in summer; empty where none does.

    >>> summer_time_said(["Time (MDT)"]), summer_time_said(["Time", "Times in MST, no daylight saving"])
    ('Time (MDT)', '')
    """
    return next((text for text in _about_readings(texts) if _SUMMER_TIME.search(text)), "")


def _about_readings(texts: Sequence[str]) -> list[str]:
    """Return the header and the lines that are about the readings' times.

    What says that there is no summer time is left out.
    """
    lines = [
        "" if number and (not _ABOUT_TIMES.search(text) or _NOT_READINGS.search(text)) else text
        for number, text in enumerate(texts)
    ]
    return [_NO_SUMMER_TIME.sub("", line.replace("_", " ")) for line in lines]
