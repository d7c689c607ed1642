"""Files of one table that are written alike: what is proposed for them, column by column."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from snowtally.inputs.columns import Column, Table
from snowtally.proposals.cells import Cells
from snowtally.proposals.clocks_known import clock_said, summer_time_said
from snowtally.proposals.dates_known import ChosenDate, DateReading, chosen_date, date_readings
from snowtally.proposals.doubtful import doubtful_columns, is_accumulated, strange_columns
from snowtally.proposals.monthly_known import monthly_table
from snowtally.proposals.outside import Outside, date_outside, setting_of, site_outside
from snowtally.proposals.proposal import Proposal, Refusal, Value
from snowtally.proposals.raw_table import RawTable
from snowtally.proposals.reshaped import Reshaped
from snowtally.proposals.site_columns import SiteGroup, site_settings
from snowtally.proposals.table_columns import Assignment, FolderEvidence, SeenColumn, SeenTable, seen_table
from snowtally.proposals.table_role import RoleReading, role_of
from snowtally.proposals.table_units import UNKNOWN, Surveyed, UnitReading, unit_readings
from snowtally.proposals.units_known import units_said
from snowtally.proposals.wide_known import wide_table

DATE_KEYS = frozenset({"date", "time", "from", "until", "nominal_date", "issued", "when"})
"""Keys whose values the entry's `dates` reads."""


HARMLESS = frozenset({"name", "remark", "sampler"})
"""Keys of which the likelier of two columns may be taken: nothing is computed from them."""


ONCE_A_DAY = 0.9
"""Share of a table's rows with days of their own, at least, where no time of day stands in it: readings may be sent twice."""


FILLED = 0.5
"""Share of a table's rows with a site and a day, at least: fewer are the first rows of visits (chosen: a visit has several points)."""


@dataclass(frozen=True)
class Beside:
    """What the folder tells of a table beside its own files.

    Parameters
    ----------
    evidence : sites of the other tables, and where the basin lies.
    names : identifiers of sites by their names.
    kinds : course or station, by the identifier of a site that a table of measurements has.
    today : records do not lie after it.
    recorded : the first and the last day of the tables of measurements, datetime64[D]; None where there is none.
    """

    evidence: FolderEvidence
    today: dt.date
    names: Mapping[str, str] = field(default_factory=dict)
    kinds: Mapping[str, str] = field(default_factory=dict)
    recorded: tuple[np.datetime64, np.datetime64] | None = None


@dataclass(frozen=True)
class GroupReading:
    """What is proposed for some files that are written alike.

    Parameters
    ----------
    role : the table that they are; empty where they are none.
    proposals : keys of the entry under `formats`.
    refusals : what no reading is safe for.
    sites : the site of each row; empty where none is known.
    days : of the rows, datetime64[D].
    numbers : the columns of numbers, by key.
    texts : the columns of text, by key.
    series : files of time series, which need no reading of columns.
    """

    role: str
    evidence: str
    tables: tuple[RawTable, ...]
    proposals: tuple[Proposal, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    others: tuple[str, ...] = ()
    sites: tuple[str, ...] = ()
    days: np.ndarray | None = None
    numbers: Mapping[str, Cells] = field(default_factory=dict)
    texts: Mapping[str, Cells] = field(default_factory=dict)
    lacks_clock: bool = False
    offsets_hours: tuple[float, ...] = ()
    not_read: tuple[str, ...] = ()
    series: tuple[Path, ...] = ()

    @property
    def files(self) -> tuple[Path, ...]:
        """The files, each once."""
        return tuple(dict.fromkeys([*(table.path for table in self.tables), *self.series]))


def joined(tables: Sequence[RawTable]) -> SeenTable:
    """Return the rows of files that are written alike as one table."""
    if len(tables) == 1:
        return seen_table(tables[0])
    rows = tuple(row for table in tables for row in table.rows)
    return seen_table(replace(tables[0], rows=rows))


def read_group(
    seen: SeenTable, tables: Sequence[RawTable], canonical: Mapping[str, Table], beside: Beside
) -> GroupReading:
    """Return what is proposed for files that are written alike; `seen` are their rows as one table."""
    reshaped = monthly_table(seen) or wide_table(seen, beside.evidence.site_ids, beside.names)
    if reshaped is None:
        role = role_of(seen, beside.evidence)
    else:
        lacks = () if "site_id" in reshaped.columns else ("site_id",)
        role = RoleReading(reshaped.role, Assignment(reshaped.columns, {}, ()), reshaped.evidence, lacks)
    if not role.role or role.columns is None:
        return GroupReading("", role.evidence, tuple(tables))
    return _Group(tables, seen, role, canonical[role.role], beside, reshaped).reading()


class _Group:
    """One group on the way from its columns to proposals."""

    def __init__(
        self,
        tables: Sequence[RawTable],
        seen: SeenTable,
        role: RoleReading,
        table: Table,
        beside: Beside,
        reshaped: Reshaped | None,
    ) -> None:
        self.tables, self.seen, self.role, self.table, self.beside = tables, seen, role, table, beside
        self.reshaped = reshaped
        self.spread = frozenset[str]() if reshaped is None else reshaped.spread
        self.columns: dict[str, SeenColumn] = dict(role.columns.columns) if role.columns else {}
        self.refusals: list[Refusal] = []
        self.proposals: list[Proposal] = []
        self.outside: dict[str, Outside] = {}
        self.doubted = frozenset[str]()

    @property
    def file(self) -> Path:
        return self.tables[0].path

    def reading(self) -> GroupReading:
        if self.reshaped is not None:
            self.proposals += self.reshaped.proposals
        self._find_outside()
        self._refuse_doubts()
        self._refuse_gaps()
        if self.role.role == "courses":
            self._weights_alone()
        chosen = self._dates()
        days = self._days(chosen)
        self._ask_for_strange(days)
        if self.role.role == "stations":
            self._rain_by_values()
        if chosen is not None and self.role.role == "stations":
            self._refuse_lost_hours(chosen, days)
        self._writing()
        units = self._units(days)
        self._columns(units)
        time = self.columns.get("time")
        lacks_clock, offsets = False, tuple[float, ...]()
        if time is not None and chosen is not None and self.role.role == "stations":
            lacks_clock, offsets = self._clock(time, chosen)
        kinds = {column.key: column.kind for column in self.table.columns}
        return GroupReading(
            self.role.role,
            self.role.evidence,
            tuple(self.tables),
            tuple(self.proposals),
            tuple(self.refusals),
            self.role.others,
            self._site_texts(),
            days,
            {key: column.cells for key, column in self.columns.items() if kinds.get(key) == "number"},
            {key: column.cells for key, column in self.columns.items() if kinds.get(key) == "text"},
            lacks_clock,
            offsets,
            self._not_read(),
        )

    # ------------------------------------------------------------------------------- values outside the columns

    def _find_outside(self) -> None:
        """Find the site and the date in file names, titles and sheet names where no column holds them."""
        if "site_id" in self.role.lacks:
            by_id = site_outside(self.tables, self.beside.evidence.site_ids)
            self._take("site_id", by_id or site_outside(self.tables, frozenset(self.beside.names)))
        key = "time" if self.role.role == "stations" else "date"
        if key in self.role.lacks:
            self._take(key, date_outside(self.tables))

    def _take(self, key: str, value: Outside | None) -> None:
        if value is not None:
            self.outside[key] = value

    def _each_row(self, texts: Sequence[str]) -> list[str]:
        """Return the text of each table for each of its rows."""
        every = [text for table, text in zip(self.tables, texts, strict=True) for _ in table.rows]
        return every if self.reshaped is None else [every[row] for row in self.reshaped.from_row]

    # ----------------------------------------------------------------------------------------------- doubts

    def refuse(self, column: str, why: str, cure: str) -> None:
        self.refusals.append(Refusal(self.file, column, why, cure))

    def _refuse_doubts(self) -> None:
        """Refuse what is lacking, and columns that stand for the same key."""
        role = self.role.role
        for lacking in self.role.lacks:
            if lacking in self.outside:
                continue
            self.refuse(
                "",
                f"it looks like {role} ({self.role.evidence}), but no column is recognised as {lacking}"
                + (f" among {', '.join(repr(h) for h in self.tables[0].header if h)}" if self.tables[0].header else ""),
                f"Head the column {self._canonical(lacking)}, or declare it under columns.{role}",
            )
        for doubt in self.reshaped.doubts if self.reshaped else ():
            self.refuse("", doubt, f"Declare it under formats.{role}")
        others = self.role.columns.others if self.role.columns else {}
        for key, other in others.items():
            if key in HARMLESS:
                continue
            one = self.columns[key]
            self.refuse(
                one.header,
                f"'{one.header}' and '{other.header}' may both be {key}",
                f"Name the right one as {{column: ...}} under columns.{role}.{key}",
            )
        heads = [column.header.casefold() for column in self.seen.columns]
        for key, column in self.columns.items():
            if key not in self.spread and column.header and heads.count(column.header.casefold()) > 1:
                self.refuse(
                    column.header, f"the header stands twice, and one of them is {key}", "Name the two differently"
                )

    def _refuse_gaps(self) -> None:
        """Refuse a table in which site or day stands in the first row of a visit alone: the other rows would be lost."""
        for key in ("site_id", "date", "time"):
            cells = self.columns[key].cells if key in self.columns else None
            if self.role.role not in ("courses", "stations") or cells is None or not cells.texts:
                continue
            if cells.texts[0] and len(cells.filled) < FILLED * len(cells.texts):
                self.refuse(
                    self.columns[key].header,
                    f"{len(cells.filled)} of {len(cells.texts)} rows have a {key.removesuffix('_id')}: it seems to stand in the first row "
                    "of each visit alone",
                    "Write it into every row",
                )

    def _ask_for_strange(self, days: np.ndarray | None) -> None:
        """Take columns whose values alone tell what they are as questions; refuse where there are several, or none is like."""
        left = self.role.columns.left if self.role.columns and self.reshaped is None else ()
        for key, columns in doubtful_columns(self.role.role, left, self._surveyed(days)).items():
            if len(columns) > 1:
                headers = " and ".join(f"'{column.header}'" for column in columns)
                self.refuse(
                    columns[0].header, f"{headers} may both be {key}", f"Head the right one {self._canonical(key)}"
                )
                continue
            self.columns[key] = columns[0]
            self.doubted = self.doubted | {key}
        self._refuse_parts(left)
        if self.role.role != "courses":
            return
        strange = [column for column in strange_columns(left) if column not in self.columns.values()]
        for keys in self.table.expects:
            if strange and not set(keys) & set(self.columns):
                headers = ", ".join(f"'{column.header}'" for column in strange)
                self.refuse(
                    strange[0].header,
                    f"no column is recognised as {' or '.join(keys)}, and nothing tells what stands under {headers}",
                    f"Head the column {self._canonical(' or '.join(keys))}, or declare it under columns.{self.role.role}",
                )

    def _rain_by_values(self) -> None:
        """Refuse amounts and totals of precipitation that are headed as the other: headers say both by the same words."""
        sites = self._site_texts()
        for key, total in (("precipitation", False), ("precipitation_total", True)):
            column = self.columns.get(key)
            if column is None:
                continue
            is_total = is_accumulated(column.cells.numbers, sites or ("",) * len(column.cells.numbers))
            if is_total is None or is_total == total:
                continue
            other = "precipitation" if total else "precipitation_total"
            if other in self.columns or self.reshaped is not None or column.header.casefold() == self._canonical(key):
                what = "the amount of each reading" if total else "a total that is counted up"
                self.refuse(
                    column.header,
                    f"it is headed as {self._canonical(key)}, but its values are {what}",
                    f"Head it {self._canonical(other)}, or mend its values",
                )
                continue
            self.columns = {(other if one == key else one): held for one, held in self.columns.items()}
            return

    def _refuse_parts(self, left: Sequence[SeenColumn]) -> None:
        """Refuse a table of which a column that belongs to others is not recognised."""
        role, strange = (
            self.role.role,
            [column for column in strange_columns(left) if column not in self.columns.values()],
        )
        lost: list[SeenColumn] = []
        if role == "flights":
            lost = [column for column in left if column.cells.is_paths]
        elif (role == "weather" and any(column.key not in self.columns for column in self.table.columns)) or (
            role == "courses"
            and strange
            and {"mass_empty", "cutter"} & set(self.columns)
            and "mass_full" not in self.columns
        ):
            lost = strange
        for column in lost:
            self.refuse(
                column.header,
                f"nothing tells which column of {role} it is",
                f"Head it by one of {', '.join(one.header for one in self.table.columns if one.key not in self.columns)}, "
                f"declare it under columns.{role}, or take it out",
            )

    def _weights_alone(self) -> None:
        """Leave weights out where SWE stands beside each, and refuse them where nothing tells the cutter's area."""
        if "mass_full" not in self.columns or "cutter" in self.columns:
            return
        full = self.columns["mass_full"].cells.numbers
        if "swe" in self.columns and not (np.isfinite(full) & np.isnan(self.columns["swe"].cells.numbers)).any():
            self.columns = {key: column for key, column in self.columns.items() if not key.startswith("mass_")}
            return
        self.refuse(
            self.columns["mass_full"].header,
            "cores are weighed, but no column tells the cutter's area",
            "Declare it as columns.courses.cutter: {constant: 11.2, unit: cm**2}, with the area of your own cutter",
        )

    def _refuse_lost_hours(self, chosen: ChosenDate, days: np.ndarray | None) -> None:
        """Refuse a table of stations whose hours stand in another column than their days."""
        sites = self._site_texts()
        if chosen.reading.has_clock or days is None or "time" not in self.columns:
            return
        rows = set(zip(sites or ("",) * len(days), days.tolist(), strict=True))
        if len(rows) < ONCE_A_DAY * len(days):
            self.refuse(
                self.columns["time"].header,
                f"{len(days)} rows have {len(rows)} days of stations: the hours stand elsewhere",
                "Write day and time of day into one column",
            )

    def _not_read(self) -> tuple[str, ...]:
        if self.reshaped is not None:
            return ()
        taken = {column.position for column in self.columns.values()}
        return tuple(column.header for column in self.seen.columns if column.header and column.position not in taken)

    def _canonical(self, keys: str) -> str:
        names = {column.key: column.header for column in self.table.columns}
        return " or ".join(names.get(key, key) for key in keys.split(" or "))

    # ----------------------------------------------------------------------------------------------- dates

    def _dates(self) -> ChosenDate | None:
        """Return how the dates are read, and propose it where they are not year-first."""
        readings = {
            key: column.cells.dates
            for key, column in self.columns.items()
            if key in DATE_KEYS and column.cells.dates and not column.cells.is_empty
        }
        for key in ("date", "time"):
            if key in self.outside:
                texts = self._each_row(self.outside[key].texts)
                readings[key] = date_readings(texts, may_be_serial=True)
        if not readings:
            return None
        # The entry has one way; what is year-first is understood beside any other.
        ways = [{one.way for one in several} for several in readings.values() if several[0].way != "year-first"]
        if ways and not set.intersection(*ways):
            named = ", ".join(f"'{self.columns[key].header}'" for key in readings if key in self.columns)
            self.refuse("", f"its columns of dates are written in different ways: {named}", "Write them in one way")
            return None
        primary = next(key for key in ("date", "time", *readings) if key in readings)
        allowed = set.intersection(*ways) if ways else {"year-first"}
        order = [key for key in dict.fromkeys((primary, *readings)) if readings[key][0].way != "year-first"] or [
            primary
        ]
        first = self._chosen([one for one in readings[order[0]] if one.way in allowed])
        for key in order[1:]:
            # Another column of dates may tell what the first leaves open.
            again = self._chosen([one for one in readings[key] if one.way in allowed])
            left = {again.reading.way, *(one.way for one in again.others)}
            both = [one for one in (first.reading, *first.others) if one.way in left]
            if both and len(both) < 1 + len(first.others):
                first = ChosenDate(both[0], tuple(both[1:]), f"{again.evidence} ('{self.columns[key].header}')")
        first = self._without_weight(first, {key: readings[key] for key in order})
        if first.reading.way != "year-first":
            others = tuple(one.way for one in first.others)
            sample = next(t for t in (self._date_texts(order[0])) if t)
            self.proposals.append(
                Proposal("dates", first.reading.way, f"'{sample}': {first.evidence}", others, is_safe=not others)
            )
        if self.reshaped is None and order[0] in self.columns and len(self.tables) > 1:
            self._refuse_other_orders(self.columns[order[0]], first)
        if order[0] != primary:
            return ChosenDate(readings[primary][0], (), "")
        return first

    def _refuse_other_orders(self, column: SeenColumn, chosen: ChosenDate) -> None:
        """Refuse a file whose own dates speak for another way than those of all files together."""
        start, site = 0, self._site_texts()
        for table in self.tables:
            own = slice(start, start + len(table.rows))
            start = own.stop
            readings = date_readings(column.cells.texts[own], may_be_serial=True)
            if not readings:
                continue
            of_file = chosen_date(readings, site[own] or ("",) * len(table.rows), self.beside.today)
            together = chosen.reading.seconds[own]
            possible = [one for one in (of_file.reading, *of_file.others) if one.agrees_with(together)]
            if not possible:
                self.refusals.append(
                    Refusal(
                        table.path,
                        column.header,
                        f"its dates are written as {of_file.reading.way} ({of_file.evidence}), those of the files beside it as "
                        f"{chosen.reading.way}",
                        "Write the dates of all files in one way, the year first",
                    )
                )

    def _without_weight(self, chosen: ChosenDate, readings: Mapping[str, Sequence[DateReading]]) -> ChosenDate:
        """Return a choice as safe where sites begin before all records and end after them, however their days are read."""
        recorded = self.beside.recorded
        if self.role.role != "sites" or not chosen.others or recorded is None:
            return chosen
        left = {chosen.reading.way, *(one.way for one in chosen.others)}
        for key, ways in readings.items():
            days = [one.days for one in ways if one.way in left]
            if any((of.max() >= recorded[0] if key == "from" else of.min() <= recorded[1]) for of in days if len(of)):
                return chosen
        outside = f"in each order all stations begin before the first record ({recorded[0]}) and end after the last"
        return ChosenDate(chosen.reading, (), f"{chosen.evidence}; {outside}: nothing hangs on it")

    def _date_texts(self, key: str) -> Sequence[str]:
        return self.columns[key].cells.texts if key in self.columns else self.outside[key].texts

    def _chosen(self, readings: Sequence[DateReading]) -> ChosenDate:
        site = self._site_texts()
        return chosen_date(readings, site or ("",) * len(readings[0].seconds), self.beside.today)

    def _site_texts(self) -> tuple[str, ...]:
        if "site_id" in self.outside:
            texts = self._each_row(self.outside["site_id"].texts)
            return tuple(self.beside.names.get(text, text) for text in texts)
        if "site_id" in self.columns:
            return self.columns["site_id"].cells.texts
        return ()

    def _days(self, chosen: ChosenDate | None) -> np.ndarray | None:
        if chosen is None:
            return None
        seconds = chosen.reading.seconds
        days = np.where(chosen.reading.is_there, seconds, 0).astype("datetime64[s]").astype("datetime64[D]")
        return np.where(chosen.reading.is_there, days, np.datetime64("NaT"))

    def _clock(self, time: SeenColumn, chosen: ChosenDate) -> tuple[bool, tuple[float, ...]]:
        """Propose the clock where the file says it; return whether one is lacking, and the offsets in the times."""
        if not chosen.reading.has_local_times:
            return False, chosen.reading.offsets_hours
        texts = [time.header, *(line for table in self.tables for line in table.above)]
        summer = summer_time_said(texts)
        if summer:
            self.refuse(
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
        self.proposals.append(Proposal("clock", said.hours, f"'{said.text}'"))
        return False, ()

    # ----------------------------------------------------------------------------------------------- writing

    def _writing(self) -> None:
        """Propose separator, decimal mark, encoding and the like."""
        raw, add = self.tables[0], self.proposals.append
        if raw.separator not in ("", ","):
            add(Proposal("separator", raw.separator, f"every line has {raw.width} fields by it"))
        if self.seen.decimal != ".":
            add(Proposal("decimal", self.seen.decimal, self.seen.decimal_evidence))
        if raw.encoding is not None:
            add(Proposal("encoding", raw.encoding, "the file is not UTF-8; read so, its letters are words'"))
        if raw.comment is not None:
            add(Proposal("comment", raw.comment, "lines that begin with it stand above or between the rows"))
        if raw.skip_lines:
            add(Proposal("skip_lines", raw.skip_lines, f"the header stands in line {raw.skip_lines + 1}"))
        if any(table.sheet is not None and not table.is_only_sheet for table in self.tables):
            names = [table.sheet or "" for table in self.tables]
            add(
                Proposal(
                    "sheet", sheet_pattern(self.tables), f"the workbook's sheets {', '.join(dict.fromkeys(names))}"
                )
            )
        if not raw.header:
            held = {column.position: self._canonical(key) for key, column in self.columns.items()}
            names = [held.get(position, f"column_{position + 1}") for position in range(raw.width)]
            add(Proposal("header", list(names), "the first line is a row like the others"))
            self.columns = {key: replace(column, header=held[column.position]) for key, column in self.columns.items()}

    # ----------------------------------------------------------------------------------------------- columns

    def _units(self, days: np.ndarray | None) -> dict[str, UnitReading]:
        return unit_readings(self._surveyed(days))

    def _surveyed(self, days: np.ndarray | None) -> Surveyed:
        # The files of a group say the same units.
        said = units_said(self.tables[0].above)
        return Surveyed(self.columns, self.table, days, self.beside.evidence.hint, said)

    def _columns(self, units: Mapping[str, UnitReading]) -> None:
        """Propose header, unit and words of each column, where they differ from the canonical ones."""
        own = self._own_of_sites() if self.role.role == "sites" else {}
        for column in self.table.columns:
            if column.key in own:
                self.proposals.append(own[column.key])
                continue
            setting, evidence = self._setting(column)
            unit = units.get(column.key) if column.unit is not None else None
            if unit is not None:
                evidence = unit.evidence
                if unit.unit != column.unit or unit.others:
                    setting["unit"] = unit.unit
                if UNKNOWN in unit.others:
                    self._refuse_unit(column.key, unit)
                    continue
            if setting:
                others: tuple[Value, ...] = tuple({**setting, "unit": other} for other in (unit.others if unit else ()))
                if column.key in self.doubted:
                    evidence = f"the header says nothing that is known, but the values are like it: {evidence}"
                    others = (*others, {})
                self.proposals.append(Proposal(f"columns.{column.key}", setting, evidence, others, is_safe=not others))

    def _own_of_sites(self) -> dict[str, Proposal]:
        group = SiteGroup(self.columns, self.tables, self.beside.kinds, self.beside.evidence.hint)
        own = dict(site_settings(group))
        self.proposals += group.proposals
        self.refusals += group.refusals
        return own

    def _setting(self, column: Column) -> tuple[dict[str, Value], str]:
        """Return where a column's values stand, as under `columns`, and the evidence; nothing where it is canonical."""
        key = column.key
        if key in self.outside:
            return setting_of(self.outside[key], self.beside.names), self.outside[key].evidence
        if key not in self.columns or key in self.spread:
            return {}, ""
        header = self.columns[key].header
        setting: dict[str, Value] = {} if header.casefold() == column.header.casefold() else {"column": header}
        words = self._words(key)
        if not words:
            return setting, f"header '{header}'"
        return {**setting, "values": words}, f"header '{header}'; names of sites stand for their identifiers"

    def _refuse_unit(self, key: str, unit: UnitReading) -> None:
        header = self.columns[key].header
        self.refuse(
            header,
            unit.evidence,
            f"Mend the values or the header, or declare the unit under columns.{self.role.role}.{key}",
        )

    def _words(self, key: str) -> dict[str, Value]:
        """Return the words of a column of sites that are names of sites."""
        if key != "site_id" or self.role.role == "sites":
            return {}
        names, known = self.beside.names, self.beside.evidence.site_ids
        texts = dict.fromkeys(self.columns[key].cells.filled)
        return {text: names[text] for text in texts if text in names and text not in known}


def sheet_pattern(tables: Sequence[RawTable]) -> str:
    """Return the name or pattern of the sheets of some tables."""
    names = list(dict.fromkeys(table.sheet or "" for table in tables))
    return names[0] if len(names) == 1 else "*"
