"""What the words of a header mean.

By the phrases that are known.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache

from snowtally.proposals.header_phrases import FILLING, NO_READING, PHRASES
from snowtally.proposals.units_known import folded


@dataclass(frozen=True)
class _Phrase:
    """A phrase of a meaning.

    Its words, and those of them that carry meaning.
    """

    meaning: str
    words: tuple[str, ...]
    core: tuple[str, ...]


@dataclass(frozen=True)
class _Phrases:
    """All phrases, found by what a header that holds one must hold.

    Parameters
    ----------
    by_letters : by all letters of the phrase.
    by_word : by the first word of the core.
    by_beginning : those whose first word of the core ends in a star, by its first letter.
    """

    by_letters: Mapping[str, list[_Phrase]]
    by_word: Mapping[str, list[_Phrase]]
    by_beginning: Mapping[str, list[_Phrase]]

    def near(self, words: tuple[str, ...]) -> Iterator[_Phrase]:
        """Yield the phrases that some words may hold."""
        yield from self.by_letters.get("".join(words), ())
        for word in dict.fromkeys(words):
            yield from self.by_word.get(word, ())
        for letter in dict.fromkeys(word[:1] for word in words):
            yield from self.by_beginning.get(letter, ())


@cache
def _phrases() -> _Phrases:
    phrases = _Phrases(defaultdict(list), defaultdict(list), defaultdict(list))
    for meaning, text in PHRASES.items():
        for words in (tuple(folded(one).split()) for one in text.split(";") if one.strip()):
            one = _Phrase(meaning, words, tuple(word for word in words if word not in FILLING) or words)
            first = one.core[0]
            phrases.by_letters["".join(words)].append(one)
            if first.endswith("*"):
                phrases.by_beginning[first[:1]].append(one)
            else:
                phrases.by_word[first].append(one)
    return phrases


@cache
def meanings(words: tuple[str, ...]) -> dict[str, float]:
    """Return what a header's words may mean.

    With the share of their letters that each meaning explains.

    A header that holds a word of `NO_READING` means none of the readings.

    >>> meanings(("snow", "depth"))["depth"], "depth" in meanings(("depth", "flag"))
    (1.0, False)
    >>> max(meanings(("snow", "water", "equivalent", "start", "of", "day")).items(), key=lambda pair: pair[1])[0]
    'swe'
    """
    meaningful = [word for word in words if word not in FILLING] or list(words)
    letters = sum(map(len, meaningful))
    most: dict[str, int] = defaultdict(int)
    for phrase in _phrases().near(words):
        most[phrase.meaning] = max(most[phrase.meaning], _matched(words, phrase))
    # A phrase of filling words alone (Italian "da") explains a header of these alone.
    shares = {meaning: min(1.0, most[meaning] / letters) for meaning in PHRASES if most.get(meaning) and letters}
    if NO_READING & set(words):
        shares = {meaning: share for meaning, share in shares.items() if meaning not in READINGS or share == 1.0}
    return shares


_MEASURED = (
    "depth core swe density mass_full mass_empty mass_net air_temperature air_temperature_min air_temperature_max "
    "precipitation precipitation_total solar cores"
)
READINGS = frozenset(_MEASURED.split())
"""Meanings that are measured numbers."""


def _matched(words: tuple[str, ...], phrase: _Phrase) -> int:
    """Return the letters of a header's words that a phrase explains.

    All its words, next to each other, or 0.
    """
    joined = "".join(words)
    if "".join(phrase.words) == joined:
        return sum(len(word) for word in words if word not in FILLING) or len(joined)
    core = phrase.core
    plain = tuple(word for word in words if word not in FILLING) or words
    for start in range(len(plain) - len(core) + 1):
        if all(_is(word, wanted) for word, wanted in zip(plain[start:], core, strict=False)):
            return sum(len(word) for word in plain[start : start + len(core)])
    return 0


def _is(word: str, wanted: str) -> bool:
    return word.startswith(wanted[:-1]) if wanted.endswith("*") else word == wanted
