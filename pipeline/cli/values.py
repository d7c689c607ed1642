"""Values as they are printed: figures in the settings' units for people, a table's rows as plain values for machines."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any

from snowtally.report.units import METRIC, Unit, Units

if TYPE_CHECKING:
    import pandas as pd

    from snowtally.publishing.publish import Published


def volume(m3: float, units: Units) -> str:
    """Return a volume in million m3 or acre-feet.

    It is "" where missing, and has about three digits, down to a thousandth.

    >>> [volume(m3, METRIC) for m3 in (123_456_789.0, 1_234_567.0, 5_432.0, 0.0)]
    ['123', '1.23', '0.005', '0']
    >>> from snowtally.report.units import US
    >>> [volume(acre_feet * 1233.48183755, US) for acre_feet in (123_456.0, 1_234.0, 12.34, 0.0)]
    ['123,000', '1,230', '12.3', '0']
    """
    value = units.volume.plain(m3)
    if math.isnan(value):
        return ""
    if value == 0:
        return "0"
    decimals = next((n for n, least in enumerate((100, 10, 1)) if value >= least), 3)
    if decimals:
        return f"{value:.{decimals}f}"
    # A million m3 is whole enough; acre-feet by the hundred thousand would show digits that no estimate has.
    return f"{value:.0f}" if units is METRIC else f"{float(f'{value:.3g}'):,.0f}"


def figure(value: float, unit: Unit, *, finer: int = 0, signed: bool = False) -> str:
    """Return a figure with its unit's decimals and `finer` more; "" where missing.

    >>> from snowtally.report.units import US
    >>> figure(254.0, METRIC.swe), figure(254.0, US.swe), figure(-25.4, US.swe, signed=True)
    ('254', '10.0', '-1.0')
    >>> figure(2400.0, US.band), figure(0.04, METRIC.swe)
    ('7870', '0')
    """
    decimals = unit.decimals + finer
    rounded = round(unit.plain(value), decimals)
    return "" if math.isnan(value) else f"{rounded:{'+' if signed else ''}.{max(decimals, 0)}f}"


def label(unit: Unit) -> str:
    """Return a unit's name in letters that every terminal and log has.

    >>> label(METRIC.volume), label(METRIC.area)
    ('million m3', 'km2')
    """
    return unit.label.translate({ord("\u00b2"): "2", ord("\u00b3"): "3"})


def size_text(size: float) -> str:
    """Return a number of bytes for people.

    >>> size_text(999), size_text(1_234_567), size_text(56e9)
    ('999 bytes', '1.2 MB', '56 GB')
    """
    thousand, small = 1000.0, 10
    units = ["bytes", "kB", "MB", "GB", "TB"]
    while size >= thousand and len(units) > 1:
        size, units = size / thousand, units[1:]
    return f"{size:.1f} {units[0]}" if size < small and units[0] != "bytes" else f"{size:.0f} {units[0]}"


def revision_facts(published: Published) -> dict[str, Any]:
    """Return what a command says in JSON of a revision."""
    return {
        "revision": published.revision,
        "unchanged": published.unchanged,
        "why": published.why,
        "path": str(published.path),
        "held_back": published.held_back,
        "current_revision": published.current and published.current.number,
        "made_current": published.made_current,
    }


def plain_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table's rows as JSON's values: missing numbers null, dates text."""
    return [{name: _value(value) for name, value in row.items()} for row in table.astype(object).to_dict("records")]


def _value(value: object) -> object:
    import pandas as pd

    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, dt.datetime):
        return value.isoformat().replace("+00:00", "Z")
    return value if isinstance(value, bool | int | float | str) else str(value)
