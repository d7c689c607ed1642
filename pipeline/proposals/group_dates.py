"""How the dates of a group of files are read, and which clock its times are of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from snowtally.proposals.clocks_known import clock_said, summer_time_said
from snowtally.proposals.dates_known import ChosenDate, DateReading, chosen_date, date_readings
from snowtally.proposals.group_state import Group
from snowtally.proposals.proposal import Proposal, Refusal
from snowtally.proposals.seen_columns import SeenColumn

DATE_KEYS = frozenset({"date", "time", "from", "until", "nominal_date", "issued", "when"})
"""Keys whose values the entry's `dates` reads."""


ONCE_A_DAY = 0.9
"""Share of a table's rows with days of their own, at least, where no time of day stands in it: readings may be sent twice."""


def dates_of(group: Group) -> ChosenDate | None:
    """Return how the dates are read, and propose it where they are not year-first."""
    readings = {
        key: column.cells.dates
        for key, column in group.columns.items()
        if key in DATE_KEYS and column.cells.dates and not column.cells.is_empty
    }
    for key in ("date", "time"):
        if key in group.outside:
            texts = group.each_row(group.outside[key].texts)
            readings[key] = date_readings(texts, may_be_serial=True)
    if not readings:
        return None
    # The entry has one way; what is year-first is understood beside any other.
    ways = [{one.way for one in several} for several in readings.values() if several[0].way != "year-first"]
    if ways and not set.intersection(*ways):
        named = ", ".join(f"'{group.columns[key].header}'" for key in readings if key in group.columns)
        group.refuse("", f"its columns of dates are written in different ways: {named}", "Write them in one way")
        return None
    primary = next(key for key in ("date", "time", *readings) if key in readings)
    allowed = set.intersection(*ways) if ways else {"year-first"}
    order = [key for key in dict.fromkeys((primary, *readings)) if readings[key][0].way != "year-first"] or [primary]
    first = _chosen(group, [one for one in readings[order[0]] if one.way in allowed])
    for key in order[1:]:
        # Another column of dates may tell what the first leaves open.
        again = _chosen(group, [one for one in readings[key] if one.way in allowed])
        left = {again.reading.way, *(one.way for one in again.others)}
        both = [one for one in (first.reading, *first.others) if one.way in left]
        if both and len(both) < 1 + len(first.others):
            first = ChosenDate(both[0], tuple(both[1:]), f"{again.evidence} ('{group.columns[key].header}')")
    first = _without_weight(group, first, {key: readings[key] for key in order})
    if first.reading.way != "year-first":
        others = tuple(one.way for one in first.others)
        sample = next(t for t in (_date_texts(group, order[0])) if t)
        group.proposals.append(
            Proposal("dates", first.reading.way, f"'{sample}': {first.evidence}", others, is_safe=not others)
        )
    if group.reshaped is None and order[0] in group.columns and len(group.tables) > 1:
        _refuse_other_orders(group, group.columns[order[0]], first)
    if order[0] != primary:
        return ChosenDate(readings[primary][0], (), "")
    return first


def _refuse_other_orders(group: Group, column: SeenColumn, chosen: ChosenDate) -> None:
    """Refuse a file whose own dates speak for another way than those of all files together."""
    start, site = 0, group.site_texts()
    for table in group.tables:
        own = slice(start, start + len(table.rows))
        start = own.stop
        readings = date_readings(column.cells.texts[own], may_be_serial=True)
        if not readings:
            continue
        of_file = chosen_date(readings, site[own] or ("",) * len(table.rows), group.beside.today)
        together = chosen.reading.seconds[own]
        possible = [one for one in (of_file.reading, *of_file.others) if one.agrees_with(together)]
        if not possible:
            group.refusals.append(
                Refusal(
                    table.path,
                    column.header,
                    f"its dates are written as {of_file.reading.way} ({of_file.evidence}), those of the files beside it as "
                    f"{chosen.reading.way}",
                    "Write the dates of all files in one way, the year first",
                )
            )


def _without_weight(group: Group, chosen: ChosenDate, readings: Mapping[str, Sequence[DateReading]]) -> ChosenDate:
    """Return a choice as safe where sites begin before all records and end after them, however their days are read."""
    recorded = group.beside.recorded
    if group.role.role != "sites" or not chosen.others or recorded is None:
        return chosen
    left = {chosen.reading.way, *(one.way for one in chosen.others)}
    for key, ways in readings.items():
        days = [one.days for one in ways if one.way in left]
        if any((of.max() >= recorded[0] if key == "from" else of.min() <= recorded[1]) for of in days if len(of)):
            return chosen
    outside = f"in each order all stations begin before the first record ({recorded[0]}) and end after the last"
    return ChosenDate(chosen.reading, (), f"{chosen.evidence}; {outside}: nothing hangs on it")


def _date_texts(group: Group, key: str) -> Sequence[str]:
    return group.columns[key].cells.texts if key in group.columns else group.outside[key].texts


def _chosen(group: Group, readings: Sequence[DateReading]) -> ChosenDate:
    site = group.site_texts()
    return chosen_date(readings, site or ("",) * len(readings[0].seconds), group.beside.today)


def days_of(chosen: ChosenDate | None) -> np.ndarray | None:
    """Return the day of each row, datetime64[D], NaT where it has none.

    None without a way to read them.
    """
    if chosen is None:
        return None
    seconds = chosen.reading.seconds
    days = np.where(chosen.reading.is_there, seconds, 0).astype("datetime64[s]").astype("datetime64[D]")
    return np.where(chosen.reading.is_there, days, np.datetime64("NaT"))


def refuse_lost_hours(group: Group, chosen: ChosenDate, days: np.ndarray | None) -> None:
    """Refuse a table of stations whose hours stand in another column than their days."""
    sites = group.site_texts()
    if chosen.reading.has_clock or days is None or "time" not in group.columns:
        return
    rows = set(zip(sites or ("",) * len(days), days.tolist(), strict=True))
    if len(rows) < ONCE_A_DAY * len(days):
        group.refuse(
            group.columns["time"].header,
            f"{len(days)} rows have {len(rows)} days of stations: the hours stand elsewhere",
            "Write day and time of day into one column",
        )


def clock_of(group: Group, time: SeenColumn, chosen: ChosenDate) -> tuple[bool, tuple[float, ...]]:
    """Propose the clock where the file says it.

    Return whether one is lacking, and the times' offsets, hours.
    """
    if not chosen.reading.has_local_times:
        return False, chosen.reading.offsets_hours
    texts = [time.header, *(line for table in group.tables for line in table.above)]
    summer = summer_time_said(texts)
    if summer:
        group.refuse(
            time.header,
            f"'{summer}' tells of a clock that is put forward in summer",
            "Write the UTC offset behind each time, or declare under formats.stations.clock the zone's name, or the hours where no time "
            "is of summer",
        )
        return False, ()
    # The files of a group say the same clock, or none of them says one.
    said = clock_said(texts)
    if said is None:
        return True, ()
    group.proposals.append(Proposal("clock", said.hours, f"'{said.text}'"))
    return False, (said.hours,)
