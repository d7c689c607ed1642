"""Station tables with stations side by side.

The pattern of their headers, and which element is which reading.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from snowtally.inputs.formats import ELEMENT, SITE
from snowtally.proposals.headers_known import meanings
from snowtally.proposals.proposal import Proposal, Value
from snowtally.proposals.reshaped import Reshaped, stacked, tiled
from snowtally.proposals.seen_columns import LEAST_FIT, SeenColumn, SeenTable, is_water
from snowtally.proposals.table_keys import READINGS
from snowtally.proposals.units_known import LENGTH, WATER, header_words

LEAST_STATIONS = 2
"""Columns of different stations that make a table wide; a single one may be a column of any table."""


WHOLE = 0.9
"""Share of a header's letters that a reading takes where nothing else stands in it (chosen: a site has two letters or more)."""


@dataclass(frozen=True)
class _Headed:
    """What a header says.

    The text before the site, the site's text, and the text after it; between them what belongs to the site.
    """

    column: SeenColumn
    before: str
    site: str
    after: str
    between: str = ""


def wide_table(seen: SeenTable, ids: frozenset[str], names: Mapping[str, str]) -> Reshaped | None:
    """Return a table with stations side by side as rows of one station, None where it is none.

    Parameters
    ----------
    ids : sites' identifiers.
    names : sites' identifiers by their names.
    """
    dated = [column for column in seen.columns if column.cells.is_dated]
    values = [column for column in seen.columns if column.header and (column.cells.is_numeric or column.cells.is_empty)]
    values = [column for column in values if column not in dated]
    if len(dated) != 1 or len(values) < LEAST_STATIONS:
        return None
    time = dated[0]
    headed = _parted([one for column in values if (one := _headed(column, ids, names)) is not None])
    # Letters may be small in a header and not in the list of sites.
    names = {one.site: names[name] for one in headed for name in names if name.casefold() == one.site.casefold()}
    names |= {one.site: i for one in headed for i in ids if i.casefold() == one.site.casefold() != i}
    sites = {one.site for one in headed}
    if len(headed) < LEAST_STATIONS or len(headed) * 2 < len(values):
        return None
    if len(sites) == 1 and len(headed) < len(values):
        return None
    if all(not _words_of(one) for one in headed):
        return _one_reading(seen, time, headed, values, names)
    return _pattern(seen, time, headed, ids, names)


def _headed(column: SeenColumn, ids: frozenset[str], names: Mapping[str, str]) -> _Headed | None:
    """Return what a header says where it names a site.

    By the identifier, else by the name.
    """
    shares = column.meanings
    if max((shares.get(key, 0.0) for key in READINGS), default=0.0) >= WHOLE:
        # The reading takes the whole header: what looks like a site is a word of it.
        return None
    for known in (ids, frozenset(names)):
        for site in sorted(known, key=len, reverse=True):
            match = re.search(rf"(?<![^\W_]){re.escape(site)}(?![^\W_])", column.header, re.IGNORECASE)
            if match is not None:
                return _Headed(column, column.header[: match.start()], match[0], column.header[match.end() :])
    return None


MARKS = (": ", ":", " - ", " / ", "; ", ", ", " | ", "|", "_")
"""What parts a site of two words from its reading, the clearest first."""


def _parted(headed: Sequence[_Headed]) -> list[_Headed]:
    """Return headers with a name behind the identifier as the site's: `12 Hob Saddle: SWE`.

    One text a site, another for each, stands before a mark, and readings behind it.
    """
    for mark in MARKS:
        parts = [one.after.partition(mark) for one in headed]
        texts_of: dict[str, set[str]] = defaultdict(set)
        for one, (text, _, _) in zip(headed, parts, strict=True):
            texts_of[one.site].add(text)
        texts = {text for of_site in texts_of.values() for text in of_site}
        is_name = all(re.search(r"[^\W\d_]", text) for text in texts) and len(texts) == len(texts_of) > 1
        if is_name and all(len(of_site) == 1 for of_site in texts_of.values()):
            tails = [mark + tail for _, sign, tail in parts if sign]
            if len(tails) == len(headed) and any(reading_named(tail) for tail in tails):
                pairs = zip(headed, parts, tails, strict=True)
                return [replace(one, between=text, after=tail) for one, (text, _, _), tail in pairs]
    return list(headed)


def _words_of(one: _Headed) -> bool:
    """Return whether a header names a reading beside the site."""
    return bool(reading_named(one.before) or reading_named(one.after))


def reading_named(text: str) -> str | None:
    """Return the reading that a text names best."""
    shares = meanings(header_words(f"x {text}").words[1:])
    best = max(shares, key=lambda meaning: shares[meaning], default=None)
    return best if best is not None and shares[best] >= LEAST_FIT else None


def _pattern(
    seen: SeenTable, time: SeenColumn, headed: Sequence[_Headed], ids: frozenset[str], names: Mapping[str, str]
) -> Reshaped | None:
    """Return a table whose headers hold site and element."""
    is_after = sum(reading_named(one.after) is not None for one in headed) * 2 >= len(headed)
    elements = [one.after if is_after else one.before for one in headed]
    others = [one.before if is_after else one.after for one in headed]
    marks = _common_marks(elements, at_start=is_after)
    texts = [element[len(marks) :] if is_after else element[: len(element) - len(marks)] for element in elements]
    other = _general(others, at_end=is_after)
    between = _general([one.between for one in headed], at_end=False)
    pattern = f"{other}{SITE}{between}{marks}{ELEMENT}" if is_after else f"{ELEMENT}{marks}{SITE}{other}"
    by_text: dict[str, list[_Headed]] = defaultdict(list)
    for one, text in zip(headed, texts, strict=True):
        by_text[text].append(one)
    keys, doubts = _keys_of(list(by_text))
    waters = [
        text for text, several in by_text.items() if is_water(header_words(f"x {text}").words[1:], several[0].column)
    ]
    if "depth" in keys and "swe" not in keys and len(waters) == 1:
        keys["swe"] = waters[0]
    if not keys:
        return None
    doubts += _maybe_snow(by_text, keys)
    stations = {one.site: names[one.site] for one in headed if one.site in names and one.site not in ids}
    proposals = [
        Proposal("wide", pattern, f"{len(headed)} headers such as '{headed[0].column.header}'"),
        Proposal("elements", dict(keys), _not_read(by_text, keys)),
    ]
    if stations:
        proposals.append(Proposal("stations", dict(stations), "names of sites stand for their identifiers"))
    columns, rows = _rows(seen, time, {key: by_text[text] for key, text in keys.items()}, keys, names)
    evidence = f"stations side by side under headers such as '{headed[0].column.header}'"
    return Reshaped("stations", columns, rows, frozenset({"site_id", *keys}), tuple(proposals), evidence, tuple(doubts))


def _not_read(by_text: Mapping[str, Sequence[_Headed]], keys: Mapping[str, str]) -> str:
    left = [text for text in by_text if text not in keys.values()]
    return f"not read: {', '.join(left)}" if left else "all that the headers name"


def _maybe_snow(by_text: Mapping[str, Sequence[_Headed]], keys: Mapping[str, str]) -> list[str]:
    """Return the elements that may be the snow that the table lacks.

    They are depths of water, or have no unit, and their words say nothing that is known.
    """
    doubts = []
    for text, columns in by_text.items():
        is_known = reading_named(text) is not None
        units = {one.column.unit.measures for one in columns if one.column.unit is not None}
        numbers = np.concatenate([one.column.cells.numbers for one in columns])
        numbers = numbers[np.isfinite(numbers)]
        if "swe" not in keys and not is_known and units <= {LENGTH, WATER} and numbers.max(initial=0.0) > 0:
            doubts.append(f"no element is recognised as swe, and nothing tells what stands under '{text.strip()}'")
    return doubts


def _keys_of(texts: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    """Return the text of each reading, and what cannot be told apart."""
    by_key: dict[str, list[str]] = defaultdict(list)
    for text in texts:
        key = reading_named(text)
        if key in READINGS:
            by_key[key].append(text)
    keys, doubts = {}, []
    for key, several in by_key.items():
        shares = sorted(((meanings(header_words(f"x {text}").words[1:])[key], text) for text in several), reverse=True)
        if len(shares) > 1 and shares[0][0] == shares[1][0]:
            doubts.append(f"'{shares[0][1]}' and '{shares[1][1]}' may both be {key}")
        keys[key] = shares[0][1]
    return keys, doubts


def _common_marks(texts: Sequence[str], *, at_start: bool) -> str:
    """Return the marks and blanks that every text begins (or ends) with; a bracket of a unit belongs to the text."""
    form = r"^[^\w(\[]*_*" if at_start else r"_*[^\w)\]]*$"
    marks = {match[0] for text in texts if (match := re.search(form, text)) is not None}
    if len(marks) == 1:
        return marks.pop()
    shortest = min(marks, key=len)
    return shortest if all(mark.startswith(shortest) for mark in marks) else ""


def _general(texts: Sequence[str], *, at_end: bool) -> str:
    """Return the text that all have, with a star for what differs.

    The marks next to the site stay.
    """
    if len(set(texts)) == 1:
        return texts[0]
    marks = _common_marks(texts, at_start=not at_end)
    return f"*{marks}" if at_end else f"{marks}*"


def _rows(
    seen: SeenTable,
    time: SeenColumn,
    columns: Mapping[str, Sequence[_Headed]],
    headers: Mapping[str, str],
    names: Mapping[str, str],
) -> tuple[dict[str, SeenColumn], np.ndarray]:
    """Return the table as rows of one station, station by station, and the row that each comes from."""
    sites = list(dict.fromkeys(one.site for several in columns.values() for one in several))
    many = len(seen.raw.rows)
    empty = ("",) * many
    new: dict[str, SeenColumn] = {}
    for key, several in columns.items():
        of_site = {one.site: one.column.cells.texts for one in several}
        new[key] = stacked(headers[key], [of_site.get(site, empty) for site in sites], seen.decimal, several[0].column)
    ids = [[names.get(site, site)] * many for site in sites]
    new["site_id"] = stacked("", ids, seen.decimal, time)
    new["time"] = tiled(time, len(sites))
    return new, np.tile(np.arange(many), len(sites))


def _one_reading(
    seen: SeenTable,
    time: SeenColumn,
    headed: Sequence[_Headed],
    values: Sequence[SeenColumn],
    names: Mapping[str, str],
) -> Reshaped | None:
    """Return a table whose headers are sites alone.

    A line above, the sheet or the file's name names the reading.
    """
    raw = seen.raw
    texts_around = [*raw.above, raw.sheet or "", raw.path.stem]
    key, text = next(((key, text) for text in texts_around if (key := reading_named(text)) in READINGS), ("", ""))
    doubts: list[str] = []
    if not key:
        doubts.append("its columns are stations, but no line above them and no part of its name says what they measure")
        key = "swe"
    proposals = [Proposal("wide", key, f"one column a station; '{text}'")]
    words = {one.column.header: names.get(one.site, one.site) for one in headed}
    repeated = [header for header, many in Counter(words.values()).items() if many > 1]
    if repeated:
        doubts.append(f"two columns are of {repeated[0]}")
    if len(headed) < len(values) or any(header != site for header, site in words.items()):
        setting: dict[str, Value] = dict(words)
        proposals.append(Proposal("stations", setting, "headers that name sites"))
    columns, rows = _rows(seen, time, {key: headed}, {key: text or headed[0].column.header}, names)
    unit = headed[0].column.unit
    if unit is not None and columns[key].unit is None:
        columns[key] = stacked(headed[0].column.header, [columns[key].cells.texts], seen.decimal, headed[0].column)
    evidence = f"a column each for {len(headed)} stations"
    return Reshaped("stations", columns, rows, frozenset({"site_id", key}), tuple(proposals), evidence, tuple(doubts))
