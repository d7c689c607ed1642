"""What there is to tell of a station file: one by one where it is little, counted by site where it is much."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from pipeline.inputs.columns import Column
from pipeline.inputs.formats import FileFormat
from pipeline.inputs.station_rows import StationRows
from pipeline.inputs.tables import Converted, Plan, printable, what_is_wanted
from pipeline.model.problems import Finding

SINGLY = 3
"""Up to so many unreadable values of a site, file and column are told one by one; more are one finding with their count."""

NO_CLOCK = "a local time without an offset is no instant: declare its clock under formats.stations in the settings"
SKIPPED = (
    "the clock declared under formats.stations skips this hour, so it is not the clock that the times were told by"
)
_TWICE = (
    "the clock declared under formats.stations shows this hour twice: of two readings the first counts by summer time, "
    "a single one by standard time; have the station send its times with an offset"
)
_LOST = "time must be ISO 8601 with an offset (2031-03-01T06:00-02:00) or a bare date for a daily value, and site_id not empty"


@dataclass
class Told:
    """Gathers what is wrong with a file's rows as they are read, and tells it.

    Parameters
    ----------
    path, how, plan : the file, how it is written, and how its fields become columns (None where it has no lines).
    columns : the table's columns by key.
    names : the stations' names, once they are known.
    """

    path: Path
    how: FileFormat
    plan: Plan | None
    columns: dict[str, Column]
    names: list[str] = field(default_factory=list)
    _texts: dict[tuple[str, int], str] = field(default_factory=dict)
    _lost: list[StationRows] = field(default_factory=list)

    def remember(self, piece: Converted, start: int) -> None:
        """Keep the texts of a piece's unreadable values; `start` is the line where it begins."""
        for wrong in piece.wrong:
            lines = piece.line[wrong.rows[: len(wrong.texts)]] + start
            self._texts |= {(wrong.key, line): text for line, text in zip(lines.tolist(), wrong.texts, strict=True)}

    def lose(self, rows: StationRows) -> None:
        """Note rows without a site or a time that can be read."""
        self._lost.append(rows)

    def nowhere(self) -> list[Finding]:
        """Return the findings on rows without a site or a time: lines that follow each other are one."""
        return [
            self._at_lines(rows, stretch, _LOST)
            for rows in self._lost
            for stretch in np.split(np.arange(len(rows.line)), np.flatnonzero(np.diff(rows.line) > 1) + 1)
        ]

    def timeless(self, rows: StationRows, why: str) -> list[Finding]:
        """Return the findings on local times that are no instants, by site."""
        return [self._at_lines(rows, places, why) for places in self._by_site(rows)]

    def _at_lines(self, rows: StationRows, places: np.ndarray, why: str) -> Finding:
        first, last = int(rows.line[places[0]]), int(rows.line[places[-1]])
        text = self._texts.get(("time", first))
        shown = [f"time = {printable(text[:40])}"] if text is not None else []
        lines = f"line {first}" if len(places) == 1 else f"{len(places)} rows of lines {first} to {last}"
        return Finding(
            table="stations",
            file=str(self.path),
            line=first,
            site_id=self._name(rows, places),
            rule="no site or time",
            severity="error",
            evidence="; ".join([*shown, lines]),
            action="set aside",
            detail=why,
        )

    def _name(self, rows: StationRows, places: np.ndarray) -> str:
        sites = np.unique(rows.site[places])
        return self.names[sites[0]] if len(sites) == 1 else ""

    def ambiguous(self, rows: StationRows) -> list[Finding]:
        """Return the findings on times that the clock shows twice, one a site."""
        return [
            self._counted(rows, places, "ambiguous time", f"{len(places)} readings", ("warning", "used", _TWICE))
            for places in self._by_site(rows)
        ]

    def unreadable(self, rows: StationRows) -> list[Finding]:
        """Return the findings on values that could not be read: each by itself, or with their count by site and column."""
        findings = []
        for key, mask in rows.wrong.items():
            column, wrong = self.columns[key], rows.take(np.flatnonzero(mask))
            for places in self._by_site(wrong):
                shown = [self._texts.get((key, int(line)), "") for line in wrong.line[places[:SINGLY]]]
                detail = what_is_wanted(column, shown, self.plan) if self.plan is not None else ""
                about = ("error", "set aside", detail)
                if len(places) <= SINGLY:
                    findings += [
                        self._counted(
                            wrong, place, "unreadable value", f"{column.header} = {printable(text[:40])}", about
                        )
                        for place, text in zip(places[:, None], shown, strict=True)
                    ]
                    continue
                lines = f"lines {wrong.line[places[0]]} to {wrong.line[places[-1]]}"
                evidence = f"{column.header} = {printable(shown[0][:40])} and others, {len(places)} values of {lines}"
                findings.append(self._counted(wrong, places, "unreadable value", evidence, about))
        return findings

    @staticmethod
    def _by_site(rows: StationRows) -> list[np.ndarray]:
        return [np.sort(places) for places in pd.Series(rows.site).groupby(rows.site).indices.values()]

    def _counted(
        self, rows: StationRows, places: np.ndarray, rule: str, evidence: str, about: tuple[str, str, str]
    ) -> Finding:
        times = np.sort(rows.seconds[places]).view("datetime64[s]")
        severity, action, detail = about
        return Finding(
            table="stations",
            file=str(self.path),
            line=int(rows.line[places[0]]),
            site_id=self._name(rows, places),
            start=f"{times[0]}Z",
            end=f"{times[-1]}Z",
            rule=rule,
            severity=severity,
            evidence=evidence,
            action=action,
            detail=detail,
        )
