"""Whether a file's own rows became usable rows: none, or clearly fewer, is a finding that degrades the night."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.problems import Finding

NO_USABLE_ROW, FEW_USABLE_ROWS = "no usable row", "few usable rows"
"""Rules of a file that gives no row, and of one that gives clearly fewer rows, or values of a column, than stand in it."""

LEAST_USABLE_SHARE = 0.9
"""The usual share of rows that must be usable (checks.least_usable_share). A logger's export loses next to none, a sheet typed by
hand one row in some dozens; what loses a tenth has another separator, decimal mark, line end or date order than is declared
(common practice, no source). Lower: a file half of which is lost passes as sound."""

LEAST_LOST = 3
"""Fewer rows lost than this are slips of the pen, whatever their share: each is told by itself."""


@dataclass(frozen=True)
class Count:
    """How many there are of something in a file, and how many of them can be used.

    Parameters
    ----------
    there, usable : rows, or values of one column.
    what : the column's header; empty for rows.
    start, end : first and last day of those that cannot be used, ISO 8601; empty where one of them has no day.
    """

    there: int
    usable: int
    what: str = ""
    start: str = ""
    end: str = ""


def clearly_fewer(there: int, usable: int, least_share: float) -> bool:
    """Return whether clearly fewer are usable than are there."""
    return there - usable >= LEAST_LOST and usable < least_share * there


def too_few(role: str, file: str, count: Count, least_share: float) -> list[Finding]:
    """Return the finding that none or clearly fewer can be used than stand in a file, if so.

    Parameters
    ----------
    least_share : share of rows, or of a column's values, that must be usable.
    """
    if count.what:
        if not clearly_fewer(count.there, count.usable, least_share):
            return []
        rule = FEW_USABLE_ROWS
        evidence = f"{count.what}: {count.usable} of {count.there} values can be read"
    elif count.usable == 0:
        rule = NO_USABLE_ROW
        evidence = f"none of {count.there} rows can be used" if count.there else "a header and no row"
    elif clearly_fewer(count.there, count.usable, least_share):
        rule = FEW_USABLE_ROWS
        evidence = f"{count.usable} of {count.there} rows can be used"
    else:
        return []
    likely = (
        f"look at decimal, separator, dates and encoding under formats.{role}, at columns.{role}, and whether the file is whole"
        if count.there
        else f"put its rows back, or take the file out of inputs.{role} until it has some"
    )
    return [
        Finding(
            role,
            file,
            start=count.start,
            end=count.end,
            rule=rule,
            severity="error",
            evidence=evidence,
            action="set aside",
            detail=likely,
        )
    ]
