"""Values as they are told: volumes with their digits for people, a table's rows as JSON's own values for machines."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pandas as pd

MILLION = 1e6


def millions(m3: float) -> str:
    """Return a volume in million m3 with about three digits, down to a thousandth.

    >>> millions(123_456_789.0), millions(1_234_567.0), millions(5_432.0), millions(0.0)
    ('123', '1.23', '0.005', '0')
    """
    value = m3 / MILLION
    if value == 0:
        return "0"
    decimals = next((n for n, least in enumerate((100, 10, 1)) if value >= least), 3)
    return f"{value:.{decimals}f}"


def plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows as JSON's own values: missing numbers as null, dates as text."""
    return [{name: _value(value) for name, value in row.items()} for row in table.astype(object).to_dict("records")]


def _value(value: Any) -> Any:  # noqa: ANN401  whatever a cell of a table holds
    if value is None or value is pd.NA or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    return value if isinstance(value, bool | int | float | str) else str(value)
