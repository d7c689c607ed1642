"""Text of users' files as messages show it."""

from __future__ import annotations

from collections.abc import Sequence

MOST_HEADERS = 40
"""Headers of a file that a message lists; more would hide what it says (chosen; shows in messages alone)."""

MOST_OF_TEXT = 60
"""Characters of a text that a message shows: enough to find it in the file (chosen; shows in messages alone)."""


def printable(text: str) -> str:
    """Return text in quotes as it can be printed on one line."""
    return "'" + "".join(c if c.isprintable() else "?" for c in text[:MOST_OF_TEXT]) + "'"


def first_line(trouble: Exception) -> str:
    """Return the first line of what a library says, its kind where it says nothing."""
    return str(trouble).splitlines()[0] if str(trouble) else type(trouble).__name__


def header_list(headers: Sequence[str]) -> str:
    """Return headers as they can be printed on one line, the first of many."""
    shown = [printable(header.strip())[1:-1] for header in headers[:MOST_HEADERS]]
    return ", ".join(shown) + (" ..." if len(headers) > MOST_HEADERS else "")
