"""The clock of times without an offset, where a file says it in words."""

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


@dataclass(frozen=True)
class ClockSaid:
    """A clock, hours east of UTC, and the text that says it."""

    hours: float
    text: str


def clock_said(texts: Sequence[str]) -> ClockSaid | None:
    """Return the clock that a header (the first text) or a line above it says.

    >>> clock_said(["Time (UTC)"]).hours, clock_said(["Zeit", "Zeitzone: UTC+1"]).hours, clock_said(["Time"])
    (0.0, 1.0, None)
    """
    for number, text in enumerate(texts):
        if number and (not _ABOUT_TIMES.search(text) or _NOT_READINGS.search(text)):
            continue
        match = re.search(r"(?<![A-Za-z])(UTC|GMT)\s*([+\-\u2212]\s*\d{1,2})(?::?(\d{2}))?", text, re.IGNORECASE)
        if match is not None:
            hours = int(re.sub(r"\s", "", match[2]).replace("\u2212", "-"))
            part = int(match[3] or 0) / 60
            return ClockSaid(hours + (part if hours >= 0 else -part), text)
        for word in re.findall(r"[A-Za-z]+", text.replace("_", " ")):
            if word.casefold() in _NAMED and (number == 0 or word.isupper()):
                return ClockSaid(_NAMED[word.casefold()], text)
    return None
