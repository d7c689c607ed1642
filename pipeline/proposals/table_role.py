"""Which table of the settings' inputs a file is.

By what its columns mean and hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from snowtally.proposals.seen_columns import FolderEvidence, SeenTable
from snowtally.proposals.table_columns import Assignment, assigned
from snowtally.proposals.table_keys import KEYS, READINGS

OF_COURSES = set(KEYS["courses"]) - {"site_id", "date", "remark", *READINGS}
"""Columns that only course sheets have."""

OF_STATIONS = set(KEYS["stations"]) - {"site_id", "time", *KEYS["courses"]}
"""Columns that only station records have."""

DAILY_DAYS, SURVEY_DAYS = 2.0, 5.0
"""Stations report at least every second day, crews come back after five days at the earliest (common practice, no source)."""

_NEEDED: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "overrides": (("site_id",), ("start",), ("action",), ("who",), ("when",), ("why",)),
    "covers": (("date",), ("variable",), ("path",)),
    "flights": (("flight_id",), ("date",), ("depth", "snow_on")),
    "normals": (("site_id",), ("day",), ("swe",)),
    "weather": (("date",), ("elevation",), ("solar",), ("air_temperature",), ("issued",)),
    "sites": (("site_id",), ("longitude",), ("latitude",)),
}
"""For each table, groups of keys of which one at least must be there. The order is that of the looking: the rarer first."""

_SIGNATURE: Mapping[str, tuple[str, ...]] = {
    "overrides": ("action",),
    "covers": ("variable", "path"),
    "flights": ("depth", "snow_on", "snow_off"),
    "normals": ("day",),
    "weather": ("solar",),
    "sites": ("longitude", "latitude"),
}
"""Keys that tell what a table is; one that has them all, and lacks another, is refused with what it lacks."""


@dataclass(frozen=True)
class RoleReading:
    """Which table a file is.

    Parameters
    ----------
    role : its key under `inputs`; empty where it is none.
    columns : which column holds which key.
    evidence : in plain words.
    lacks : keys that the table needs and that no column holds, "a or b" where one of them does.
    others : other roles that it may be.
    """

    role: str
    columns: Assignment | None
    evidence: str
    lacks: tuple[str, ...] = ()
    others: tuple[str, ...] = ()


def role_of(table: SeenTable, beside: FolderEvidence) -> RoleReading:
    """Return which table of the settings' inputs a file is."""
    for role, needed in _NEEDED.items():
        assignment = assigned(role, table, beside)
        if not _has_signature(role, assignment):
            continue
        if role == "sites" and _is_of_visits(table, beside):
            continue
        if role == "flights" and table.raw.header:
            assignment = _named_by_day(assignment)
        lacks = tuple(" or ".join(group) for group in needed if not set(group) & set(assignment.columns))
        named = ", ".join(
            f"'{assignment.columns[key].header}'" if table.raw.header else f"of {key}"
            for key in _SIGNATURE[role]
            if key in assignment.columns
        )
        return RoleReading(role, assignment, f"columns {named}", lacks)
    return _measured(table, beside)


def _has_signature(role: str, assignment: Assignment) -> bool:
    keys = set(assignment.columns)
    if role == "flights":
        return bool({"depth", "snow_on"} & {key for key in keys if assignment.columns[key].cells.is_paths})
    return set(_SIGNATURE[role]) <= keys


def _named_by_day(assignment: Assignment) -> Assignment:
    """Return flights without an identifier by their days, where no two have one day and no column may be the identifier."""
    columns = assignment.columns
    date = columns.get("date")
    may_be = any(not column.cells.is_empty and not column.cells.is_paths for column in assignment.left)
    if "flight_id" in columns or may_be or date is None or len({*date.cells.filled}) < len(date.cells.texts):
        return assignment
    return replace(assignment, columns={**columns, "flight_id": date})


def _is_of_visits(table: SeenTable, beside: FolderEvidence) -> bool:
    """Return whether a table with coordinates has many days a site.

    So that it is one of measurements.
    """
    assignment = assigned("courses", table, beside)
    if "date" not in assignment.columns or not {"depth", "swe"} & set(assignment.columns):
        return False
    sites = assignment.columns["site_id"].cells.texts if "site_id" in assignment.columns else ("",)
    return len(table.raw.rows) > MANY_A_SITE * len(set(sites))


MANY_A_SITE = 1.5
"""Rows a site above which a table with coordinates is one of measurements."""


def _measured(table: SeenTable, beside: FolderEvidence) -> RoleReading:
    """Return whether a table holds course samples or station readings."""
    courses, stations = (assigned(role, table, beside) for role in ("courses", "stations"))
    has = {key for key in (*READINGS, "mass_full") if key in stations.columns or key in courses.columns}
    if not has:
        return RoleReading("", None, "no column that an input table has")
    ours = OF_COURSES & set(courses.columns)
    theirs = OF_STATIONS & set(stations.columns)
    step = _step_days(stations)
    named = ", ".join(
        f"'{column.header}'" for column in (courses if ours else stations).columns.values() if column.header
    )
    others: tuple[str, ...] = ()
    role = "courses" if ours or step is None or step > DAILY_DAYS else "stations"
    if theirs and not ours:
        role = "stations"
    why = f"columns {named}"
    if bool(ours) == bool(theirs) and step is not None:
        why += f", a reading every {_shown_step(step)}" if role == "stations" else f", {step:.0f} days between visits"
        if DAILY_DAYS < step < SURVEY_DAYS:
            others = ("stations",)
    chosen = courses if role == "courses" else stations
    lacks = [key for key in ("site_id", "date" if role == "courses" else "time") if key not in chosen.columns]
    return RoleReading(role, chosen, why, tuple(lacks), others)


def _shown_step(days: float) -> str:
    return f"{days * 24:g} hours" if days < 1 else "day" if days == 1 else f"{days:g} days"


def _step_days(assignment: Assignment) -> float | None:
    """Return the middle number of days between a site's times.

    None where no site has two.
    """
    time = assignment.columns.get("time")
    if time is None or not time.cells.dates:
        return None
    reading = time.cells.dates[0]
    site = (
        assignment.columns["site_id"].cells.texts if "site_id" in assignment.columns else ("",) * len(time.cells.texts)
    )
    steps: list[np.ndarray] = []
    seconds, names = reading.seconds, np.asarray(site)
    for one in dict.fromkeys(site):
        own = np.unique(seconds[(names == one) & reading.is_there])
        steps.append(np.diff(own))
    together = np.concatenate(steps) if steps else np.empty(0)
    return float(np.median(together)) / 86400 if len(together) else None
