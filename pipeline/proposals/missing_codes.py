"""Codes that mean "no value".

Words and numbers in columns of numbers that no measurement has.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence

import numpy as np

from snowtally.inputs.values import numeric
from snowtally.proposals.proposal import Proposal, Refusal
from snowtally.proposals.table_group import GroupReading

USUAL = ("-9999", "", "M")
"""The codes that count where the settings name none (`missing` in pipeline/settings/basin.py)."""

_WORD = re.compile(r"[A-Za-z/.\-*?_ \u2013\u2014]{1,12}")
"""A code in letters or marks; a number with a letter behind it is a reading with a flag, and no code."""

_CODE = re.compile(r"-?(?:9{2,6}|6999|7999|8888|7777|99|32767|32768)(?:[.,](?:9+0*|0+))?")
"""Numbers that files write for no value: nines and the like (common practice, no source)."""

REPEATED = 2
"""A code that is no known number or word stands so often at least; a single one is a slip, told when it is read."""

_FOR_NO_VALUE = (
    "m na n/a nan null none - -- --- t tr trace missing nodata x * ? . n.a. k.a. nd n/d n.d. s/d fehlt fehlend manquant "
    "mangler nv err error void i/d sd no_data nil"
)
_KNOWN_WORDS = frozenset(_FOR_NO_VALUE.split())
"""Words for no value, and for a trace, which is less than can be measured (common practice)."""

FAR = 3.0
"""A number is no measurement where it lies so many ranges of all others away from them."""


def codes_of(group: GroupReading) -> Counter[str]:
    """Return the codes of a group's columns of numbers.

    As they are written, with how often.
    """
    counted: Counter[str] = Counter()
    for key, cells in group.numbers.items():
        for word, many in cells.words.items():
            known = word.casefold() in _KNOWN_WORDS
            if known or (many >= REPEATED and _WORD.fullmatch(word)):
                counted[word] += many
        counted.update(_numbers(key, cells.texts, cells.numbers))
    return counted


SIGNED = frozenset({"air_temperature", "air_temperature_min", "air_temperature_max", "longitude", "latitude", "value"})
"""Keys whose numbers may be negative."""


def _numbers(key: str, texts: Sequence[str], numbers: np.ndarray) -> Counter[str]:
    """Return numbers that look like codes and lie far from the others, or below zero where nothing does."""
    like = [bool(_CODE.fullmatch(text)) for text in texts]
    rest = numbers[np.isfinite(numbers) & ~np.array(like, bool)]
    counted = Counter(text for text, code in zip(texts, like, strict=True) if code)
    if not len(rest):
        return Counter({text: many for text, many in counted.items() if text.startswith("-")})
    low, high = np.quantile(rest, [0.01, 0.99])
    reach = FAR * max(high - low, 1.0)
    return Counter(
        {
            text: many
            for text, many in counted.items()
            if not low - reach <= float(text.replace(",", ".")) <= high + reach
            or (key not in SIGNED and text.startswith("-") and low >= -REACH_BELOW)
        }
    )


REACH_BELOW = 20.0
"""Sensors read a little below zero on bare ground; codes lie further (chosen: in any unit of snow)."""


def missing_codes(groups: Sequence[GroupReading]) -> tuple[Proposal | None, list[Refusal]]:
    """Return the codes that mean no value in a folder's tables, and refuse those that are a measurement elsewhere."""
    by_group = [codes_of(group) for group in groups]
    codes: Counter[str] = Counter()
    for counted in by_group:
        codes.update(counted)
    refusals = []
    for code in numeric(list(codes)):
        value = float(code) if code else 0.0
        for group, own in zip(groups, by_group, strict=True):
            if any(_same(code, other) for other in own):
                continue
            for key, cells in (*group.numbers.items(), *group.texts.items()):
                if (cells.numbers == value).any():
                    where = next(file for file, its in zip(groups, by_group, strict=True) if code in its).files[0].name
                    refusals.append(
                        Refusal(
                            group.files[0],
                            key,
                            f"{code} is a value of it, and means no value in {where}",
                            "Write another code in one of them",
                        )
                    )
    new = [code for code in codes if not any(_same(code, usual) for usual in USUAL)]
    if not new:
        return None, refusals
    shown = ", ".join(f"'{code}' {many} times" for code, many in codes.most_common())
    return Proposal("missing", [*USUAL, *sorted(new)], f"in columns of numbers: {shown}"), refusals


def _same(code: str, other: str) -> bool:
    if code == other:
        return True
    try:
        return float(code.replace(",", ".")) == float(other.replace(",", "."))
    except ValueError:
        return False
