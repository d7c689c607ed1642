"""What a file says outside its columns.

Site and date in its name, in a line above the header, or in the sheet's name.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher
from pathlib import Path

from snowtally.inputs.outside import fitting
from snowtally.proposals.dates_known import date_readings
from snowtally.proposals.proposal import Value
from snowtally.proposals.raw_table import RawTable

_DATE = (
    r"(?<!\d)(?:(?:19|20)\d{2}[-_.]?\d{2}[-_.]?\d{2}|\d{1,2}[-_./]\d{1,2}[-_./](?:19|20)\d{2}"
    r"|\d{1,2}[- .]?[A-Za-z]{3,9}[-, .]{0,2}(?:19|20)\d{2}|[A-Za-z]{3,9} \d{1,2},? (?:19|20)\d{2})(?!\d)"
)


SHOWN = 3
"""Values that are named as evidence."""


@dataclass(frozen=True)
class Outside:
    """A value that stands outside the columns.

    Parameters
    ----------
    where : file_name, title or sheet_name, as under `columns` in the settings.
    pattern : with `{}` at the value.
    texts : the value of each table.
    """

    where: str
    pattern: str
    texts: tuple[str, ...]

    @property
    def evidence(self) -> str:
        """Where it was seen, in words."""
        words_of = {
            "file_name": "the file's name",
            "title": "a line above the header",
            "sheet_name": "the sheet's name",
        }
        few = list(dict.fromkeys(self.texts))
        return f"{words_of[self.where]} holds it: {', '.join(few[:SHOWN])}{' ...' if len(few) > SHOWN else ''}"


def site_outside(tables: Sequence[RawTable], known: frozenset[str]) -> Outside | None:
    """Return where the site of some tables stands.

    `known` are sites' identifiers or names.
    """

    def sites_in(text: str) -> list[str]:
        result = [one for one in known if re.search(rf"(?<![^\W_]){re.escape(one)}(?![^\W_])", text)]
        return sorted(result, key=len, reverse=True)

    return _looked_for(tables, sites_in)


def date_outside(tables: Sequence[RawTable]) -> Outside | None:
    """Return where the date of some tables stands."""

    def dates_in(text: str) -> list[str]:
        return [one for one in re.findall(_DATE, text) if date_readings([one], may_be_serial=True)]

    return _looked_for(tables, dates_in)


def _looked_for(tables: Sequence[RawTable], values_in: Callable[[str], list[str]]) -> Outside | None:
    """Return the place that holds a value of every table.

    The lines above the header say it of a table itself, the sheet's name and the file's name of all that is in them.
    """
    result = _by_pattern("title", [table.above for table in tables], values_in)
    if result is None and all(table.sheet for table in tables):
        result = _by_pattern("sheet_name", [(table.sheet or "",) for table in tables], values_in)
    return result or _by_pattern("file_name", [(table.path.name,) for table in tables], values_in)


def _by_pattern(where: str, lines: Sequence[Sequence[str]], values_in: Callable[[str], list[str]]) -> Outside | None:
    """Return the pattern by which each table's first line that fits holds a value."""
    if not all(lines):
        return None
    for line in lines[0]:
        for value in values_in(line):
            # Lines of the other tables that are most like it.
            like = [_most_like(line, own) for own in lines]
            before, _, after = line.partition(value)
            for pattern in _looser(before, after, like):
                read = [next((got for one in own if (got := taken(pattern, one))), None) for own in lines]
                if all(got is not None and got in values_in(got) for got in read):
                    return Outside(where, pattern, tuple(got or "" for got in read))
    return None


def _most_like(line: str, lines: Sequence[str]) -> str:
    return max(lines, key=lambda one: SequenceMatcher(None, line, one).ratio())


def _looser(before: str, after: str, texts: Sequence[str]) -> list[str]:
    """Return patterns around a value from the plainest to the loosest.

    Parts that differ between texts become a star: all but what is common at the ends and next to the value.
    """
    plain = f"{before}{{}}{after}"
    if all(taken(plain, text) is not None for text in texts):
        return [plain]
    start, end = _common(texts), _common([text[::-1] for text in texts])[::-1]
    head, tail = _starred(before, start), _starred(after[::-1], end[::-1])[::-1]
    options = [f"{head}{{}}{tail}"]
    for mark in ("_", "-", " ", ": ", "."):
        # A mark right before and after the value holds it in place.
        left = f"*{mark}" if before.endswith(mark) else ("" if not before else "*")
        right = f"{mark}*" if after.startswith(mark) else ("" if not after else "*")
        suffix = Path(after).suffix
        options += [f"{left}{{}}{right}", f"{left}{{}}{suffix}" if suffix == after else f"{left}{{}}{right}{suffix}"]
    return list(dict.fromkeys(option for option in options if option.count("{}") == 1))


def _starred(part: str, common: str) -> str:
    """Return the text before a value with a star for what differs between the tables; words stay whole."""
    if not part or part == common[: len(part)]:
        return part
    near = re.search(r"[\W_]*$", part)
    marks = near[0] if near else ""
    same = re.match(r"(.*[\W_])?", common[: len(part) - len(marks)])
    return f"{same[0] if same else ''}*{marks}"


def _common(texts: Sequence[str]) -> str:
    first, last = min(texts), max(texts)
    many = next((n for n, (a, b) in enumerate(zip(first, last, strict=False)) if a != b), min(len(first), len(last)))
    return first[:many]


def taken(pattern: str, text: str) -> str | None:
    """Return the part of a text at `{}` of a pattern.

    As the reader takes it; None where it does not fit.
    """
    fits = fitting(pattern).fullmatch(text)
    return fits[1] if fits else None


def setting_of(outside: Outside, names: Mapping[str, str]) -> dict[str, Value]:
    """Return what stands under `columns` for a value outside.

    `names` are words that mean another identifier.
    """
    words: dict[str, Value] = {text: names[text] for text in outside.texts if text in names and names[text] != text}
    setting: dict[str, Value] = {outside.where: outside.pattern}
    return {**setting, "values": words} if words else setting
