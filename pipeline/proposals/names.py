"""What a file's name says: its words, and the date in it."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections.abc import Iterator, Sequence

from snowtally.proposals.proposal import FileGroup
from snowtally.proposals.write import glob_escaped

_YEARS = r"(?:19|20)\d\d"

_DATES = (
    (rf"(?<!\d)({_YEARS})[-_. ]?(0[1-9]|1[0-2])[-_. ]?(0[1-9]|[12]\d|3[01])(?!\d)", "%Y %m %d"),
    (rf"(?<!\d)({_YEARS})[-_. ]?([A-Za-z]{{3}})[a-z]*[-_. ]?(\d\d?)(?!\d)", "%Y %b %d"),
    (rf"(?<!\d)(\d\d?)[-_. ]?([A-Za-z]{{3}})[a-z]*[-_. ]?({_YEARS})(?!\d)", "%d %b %Y"),
    (rf"(?<![A-Za-z])([A-Za-z]{{3}})[a-z]*[-_. ]?(\d\d?)[-_. ]+({_YEARS})(?!\d)", "%b %d %Y"),
    (rf"(?<!\d)({_YEARS})([0-3]\d\d)(?!\d)", "%Y %j"),
)
"""Ways in which a name holds one date and no other: year first, or with the month's name, or the day of the year."""


def date_in(name: str) -> dt.date | None:
    """Return the one date that a name holds.

    None where it holds none, or several.

    Day and month as figures before the year could be exchanged: such a date counts where only one order is possible.

    >>> [str(date_in(name)) for name in ("depth_20310327.tif", "flight_27Mar2031_sd.tif", "fsc-2031-04-10.tif", "a_2031100.tif")]
    ['2031-03-27', '2031-03-27', '2031-04-10', '2031-04-10']
    >>> date_in("depth_05_04_2031.tif"), str(date_in("depth_27_03_2031.tif"))
    (None, '2031-03-27')
    """
    for pattern, form in _DATES:
        dates = set(_parsed(name, pattern, form))
        if dates:
            return dates.pop() if len(dates) == 1 else None
    figures = re.search(rf"(?<!\d)(\d\d?)[-_. ](\d\d?)[-_. ]({_YEARS})(?!\d)", name)
    if figures is None:
        return None
    both = {date for form in ("%d %m %Y", "%m %d %Y") for date in [_date(" ".join(figures.groups()), form)] if date}
    return both.pop() if len(both) == 1 else None


def _parsed(name: str, pattern: str, form: str) -> Iterator[dt.date]:
    for match in re.finditer(pattern, name):
        date = _date(" ".join(match.groups()), form)
        if date is not None:
            yield date


def _date(text: str, form: str) -> dt.date | None:
    try:
        return dt.datetime.strptime(text, form).replace(tzinfo=dt.UTC).date()
    except ValueError:
        return None


def words_of(name: str) -> list[str]:
    """Return the words of a name in lower case, without figures.

    >>> words_of("flight_lf2-snowOn_2031.tif")
    ['flight', 'lf', 'snow', 'on', 'tif']
    """
    return [word.lower() for word in re.findall(r"[A-ZÄÖÜÉ]?[^\W\d_A-ZÄÖÜÉ]+|[A-ZÄÖÜÉ]+(?![^\W\d_A-ZÄÖÜÉ])", name)]


def has_word(name: str, words: str) -> bool:
    """Return whether a name has one of some words, whole or joined to another.

    Words of three letters or fewer must stand by themselves: `on` is in many others.

    >>> has_word("QC_snowdepth_20310327.tif", "depth"), has_word("station.tif", "on")
    (True, False)
    """
    own = words_of(name)
    short = 3
    return any(word in own or (len(word) > short and any(word in one for one in own)) for word in words.split())


def slug(text: str) -> str:
    """Return a text as an identifier of letters, digits, hyphens and underscores.

    >>> slug("Grüner Fork (2031)")
    'gruner_fork_2031'
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^A-Za-z0-9-]+", "_", plain).strip("_-").lower() or "basin"


def names_of(group: FileGroup) -> str:
    """Return the names of a group's first files for people."""
    few = 2
    listed = ", ".join(path.name for path in group.files[:few])
    return f"{listed} ..." if len(group.files) > few else listed


def name_pattern(names: Sequence[str]) -> str:
    """Return the narrowest pattern with one star that meets some names."""
    if len(names) == 1:
        return glob_escaped(names[0])
    first, last = min(names), max(names)
    start = next((n for n, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), len(first))
    backwards = sorted(name[::-1] for name in names)
    alike = zip(backwards[0], backwards[-1], strict=False)
    end = next((n for n, (a, b) in enumerate(alike) if a != b), len(backwards[0]))
    end = min(end, min(map(len, names)) - start)
    return f"{glob_escaped(first[:start])}*{glob_escaped(first[len(first) - end :]) if end else ''}"
