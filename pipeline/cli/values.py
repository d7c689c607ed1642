"""Values as they are told: figures in the settings' units for people, a table's rows as JSON's own values for machines."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pandas as pd

from pipeline.report.units import METRIC, Unit, Units


def volume(m3: float, units: Units) -> str:
    """Return a volume of the archive in million m3 or acre-feet, with about three digits, down to a thousandth.

    >>> [volume(m3, METRIC) for m3 in (123_456_789.0, 1_234_567.0, 5_432.0, 0.0)]
    ['123', '1.23', '0.005', '0']
    >>> from pipeline.report.units import US
    >>> [volume(acre_feet * 1233.48183755, US) for acre_feet in (123_456.0, 1_234.0, 12.34, 0.0)]
    ['123,000', '1,230', '12.3', '0']
    """
    value = units.volume.plain(m3)
    if value == 0:
        return "0"
    decimals = next((n for n, least in enumerate((100, 10, 1)) if value >= least), 3)
    if decimals:
        return f"{value:.{decimals}f}"
    # A million m3 is whole enough; acre-feet by the hundred thousand would tell digits that no estimate has.
    return f"{value:.0f}" if units is METRIC else f"{float(f'{value:.3g}'):,.0f}"


def figure(value: float, unit: Unit, *, finer: int = 0, signed: bool = False) -> str:
    """Return another figure of the archive in a unit, with the unit's decimals and so many more.

    >>> from pipeline.report.units import US
    >>> figure(254.0, METRIC.swe), figure(254.0, US.swe), figure(-25.4, US.swe, signed=True)
    ('254', '10.0', '-1.0')
    """
    return f"{unit.plain(value):{'+' if signed else ''}.{unit.decimals + finer}f}"


def label(unit: Unit) -> str:
    """Return a unit's name in letters that every terminal and log has.

    >>> label(METRIC.volume), label(METRIC.area)
    ('million m3', 'km2')
    """
    return unit.label.translate({ord("\u00b2"): "2", ord("\u00b3"): "3"})


def plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows as JSON's own values: missing numbers as null, dates as text."""
    return [{name: _value(value) for name, value in row.items()} for row in table.astype(object).to_dict("records")]


def _value(value: Any) -> Any:  # noqa: ANN401  whatever a cell of a table holds
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    return value if isinstance(value, bool | int | float | str) else str(value)
