"""JSON as read from files that may be damaged."""

from __future__ import annotations

import json
from typing import Any


def from_json(text: str | bytes) -> Any:  # noqa: ANN401  whatever the text holds
    """Return what a JSON text holds. Raises ValueError where it is none, or is nested deeper than any of ours.

    >>> from_json("[" * 100_000)
    Traceback (most recent call last):
    ValueError: it is nested too deeply
    """
    try:
        return json.loads(text)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None
