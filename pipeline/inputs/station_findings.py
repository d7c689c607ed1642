"""Findings on a station file: one by one where they are few, counted by site where they are many."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from snowtally.inputs.columns import Column
from snowtally.inputs.converting import Converted
from snowtally.inputs.headers import FieldMap
from snowtally.inputs.printable import printable
from snowtally.inputs.station_rows import StationRows
from snowtally.inputs.table_findings import SHOWN_OF_VALUE, said_value, what_is_wanted
from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules
from snowtally.model.rules.rule import Rule

SINGLY = 3
"""Unreadable values of a site, file and column that have a finding each; more are one finding with their count.

Chosen: slips of the pen are mended one by one, a broken export all at once."""


@dataclass
class StationFindings:
    """Gathers what is wrong with a file's rows as they are read.

    Parameters
    ----------
    path, field_map : the file, and how its fields become columns (None where it has no lines).
    columns : the table's columns by key.
    names : the stations' names, once they are known.
    """

    path: Path
    field_map: FieldMap | None
    columns: dict[str, Column]
    names: list[str] = field(default_factory=list)
    _texts: dict[tuple[str, int, str], str] = field(default_factory=dict)
    _lost: list[StationRows] = field(default_factory=list)

    def remember(self, piece: Converted, start: int) -> None:
        """Remember the texts of a piece's unreadable values.

        `start` is the line where the piece begins.
        """
        coded = piece.texts["site_id"]
        for wrong in piece.wrong:
            rows = wrong.rows[: len(wrong.texts)]
            sites = coded.take(pa.array(rows)).to_pylist()
            for line, site, text in zip((piece.line[rows] + start).tolist(), sites, wrong.texts, strict=True):
                self._texts[wrong.key, line, site or ""] = text

    def lose(self, rows: StationRows) -> None:
        """Note rows without a site or a time that can be read."""
        self._lost.append(rows)

    def nowhere(self) -> list[Finding]:
        """Return the findings on rows without a site or a time.

        Lines that follow each other are one finding.
        """
        return [
            self._at_lines(rows, stretch, rules.NO_SITE_OR_TIME)
            for rows in self._lost
            for stretch in np.split(np.arange(len(rows.line)), np.flatnonzero(np.diff(rows.line) > 1) + 1)
        ]

    def timeless(self, rows: StationRows, rule: Rule) -> list[Finding]:
        """Return the findings on local times that are no instants, by site."""
        return [self._at_lines(rows, which, rule) for which in self._by_site(rows)]

    def _at_lines(self, rows: StationRows, which: np.ndarray, rule: Rule) -> Finding:
        first, last = int(rows.line[which[0]]), int(rows.line[which[-1]])
        text = self._texts.get(("time", first, self.names[rows.site[which[0]]]))
        shown = [f"time = {printable(text[:SHOWN_OF_VALUE])}"] if text is not None else []
        lines = f"line {first}" if len(which) == 1 else f"{len(which)} rows of lines {first} to {last}"
        return Finding(
            rule,
            file=str(self.path),
            line=first,
            site_id=self._name(rows, which),
            evidence="; ".join([*shown, lines]),
        )

    def _name(self, rows: StationRows, which: np.ndarray) -> str:
        sites = np.unique(rows.site[which])
        return self.names[sites[0]] if len(sites) == 1 else ""

    def ambiguous(self, rows: StationRows) -> list[Finding]:
        """Return the findings on times that the clock shows twice, one a site."""
        about = Finding(rules.AMBIGUOUS_TIME)
        return [self._counted(rows, which, f"{len(which)} readings", about) for which in self._by_site(rows)]

    def unreadable(self, rows: StationRows) -> list[Finding]:
        """Return the findings on unreadable values.

        Many of a site and column are one finding.
        """
        findings: list[Finding] = []
        if self.field_map is None:
            return findings
        for key, mask in rows.wrong.items():
            column, wrong = self.columns[key], rows.take(np.flatnonzero(mask))
            for which in self._by_site(wrong):
                station = self.names[wrong.site[which[0]]]
                texts = [self._texts.get((key, int(line), station), "") for line in wrong.line[which[:SINGLY]]]
                about = Finding(
                    rules.UNREADABLE_VALUE, "stations", detail=what_is_wanted(column, texts, self.field_map)
                )
                said = [said_value(self.field_map, column, text, station) for text in texts]
                if len(which) <= SINGLY:
                    findings += [
                        self._counted(wrong, row, one, about) for row, one in zip(which[:, None], said, strict=True)
                    ]
                    continue
                lines = f"lines {wrong.line[which[0]]} to {wrong.line[which[-1]]}"
                findings.append(
                    self._counted(wrong, which, f"{said[0]} and others, {len(which)} values of {lines}", about)
                )
        return findings

    @staticmethod
    def _by_site(rows: StationRows) -> list[np.ndarray]:
        return [np.sort(which) for which in pd.Series(rows.site).groupby(rows.site).indices.values()]

    def _counted(self, rows: StationRows, which: np.ndarray, evidence: str, about: Finding) -> Finding:
        """Return a finding completed by what the rows are."""
        times = np.sort(rows.seconds[which]).view("datetime64[s]")
        return replace(
            about,
            file=str(self.path),
            line=int(rows.line[which[0]]),
            site_id=self._name(rows, which),
            start=f"{times[0]}Z",
            end=f"{times[-1]}Z",
            evidence=evidence,
        )
