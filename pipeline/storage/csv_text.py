"""Text in the archive's CSV files: what a spreadsheet would run as a formula is kept from it, and comes back as it was.

A spreadsheet takes a cell for a formula that begins with one of = + - @, a tab or a carriage return (OWASP's advice on CSV injection,
from memory). Such a text gets one apostrophe in front, as the advice has it; numbers are columns of their own and get none.
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pandas as pd

_RUN = re.compile(r"'*[=+\-@\t\r]")
_NEUTRAL = re.compile(r"'+[=+\-@\t\r]")


def neutral(text: str) -> str:
    """Return a text that no spreadsheet runs; `original` gives it back.

    >>> [neutral(text) for text in ("=1+1", "'=1+1", "LS10", "'quoted'", "")]
    ["'=1+1", "''=1+1", 'LS10', "'quoted'", '']
    """
    return f"'{text}" if _RUN.match(text) else text


def original(text: str) -> str:
    """Return the text that `neutral` made a text from.

    >>> all(original(neutral(text)) == text for text in ("=1", "'=1", "''@x", "-3", "'a'", "a", ""))
    True
    """
    return text[1:] if _NEUTRAL.match(text) else text


def with_originals(table: pd.DataFrame) -> pd.DataFrame:
    """Return a table of the archive's CSV with its original texts."""
    texts = [name for name, kind in table.dtypes.items() if not pd.api.types.is_numeric_dtype(kind)]
    return table.assign(**{name: map_texts(table[name], original) for name in texts})


def map_texts(values: pd.Series, change: Callable[[str], str]) -> pd.Series:
    """Return a column with its texts changed. What is no text, such as a missing value or a flag, stays."""
    changed = [change(value) if isinstance(value, str) else value for value in values]
    return pd.Series(changed, values.index, dtype=values.dtype, name=values.name)
