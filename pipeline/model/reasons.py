"""Reasons that several files share: each is said once, with their number."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

NAMED_FILES = 3
"""Files that are named before a reason that they share; of more, how many they are (chosen, so that it stays one line)."""


@dataclass(frozen=True)
class Reason:
    """What is wrong with an input.

    Parameters
    ----------
    file : the input's file, empty where it has none.
    words : what is wrong, where the file may be named.
    """

    file: str
    words: str

    @property
    def of_any_file(self) -> str:
        """The words without the file's name, the same for every file with this reason."""
        if not self.file:
            return self.words
        words = self.words.replace(f"{self.file}: ", "").replace(f": {self.file} ", ": ").removeprefix(f"{self.file} ")
        return words.replace(self.file, "the file")


def in_words(reasons: Iterable[Reason]) -> list[str]:
    """Return reasons in the order given, one that several files share once.

    >>> in_words([Reason("/in/a.csv", "/in/a.csv: no column 'Pt'"), Reason("/in/b.csv", "/in/b.csv: no column 'Pt'")])
    ["2 files (a.csv, b.csv): no column 'Pt'"]
    >>> in_words([Reason("a.csv", "a.csv is empty"), Reason("", "no site"), Reason("", "no site")])
    ['a.csv is empty', 'no site']
    """
    shared: dict[str, list[Reason]] = {}
    for reason in reasons:
        shared.setdefault(reason.of_any_file, []).append(reason)
    return [together(group) for group in shared.values()]


def together(group: list[Reason]) -> str:
    """Return in one line what some reasons say that are the same but for their files."""
    files = list(dict.fromkeys(reason.file for reason in group))
    # A reason that never named its file stays as it is.
    if len(files) == 1 or group[0].of_any_file == group[0].words:
        return group[0].words
    return f"{several_files(files)}: {group[0].of_any_file}"


def several_files(files: list[str]) -> str:
    """Return how many files there are, with the names of the first.

    >>> several_files(["/in/a.csv", "b.csv", "c.csv", "d.csv", "e.csv"])
    '5 files (a.csv, b.csv, c.csv and 2 more)'
    """
    names = [file.rsplit("/", 1)[-1] for file in files[:NAMED_FILES]]
    more = f" and {len(files) - NAMED_FILES} more" if len(files) > NAMED_FILES else ""
    return f"{len(files)} files ({', '.join(names)}{more})"
