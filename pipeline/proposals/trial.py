"""A trial of what is proposed.

The table is read with it by the night's own readers.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from snowtally.inputs.columns import Table
from snowtally.inputs.formats import FileFormat, check_formats
from snowtally.inputs.known_tables import COURSES, COVERS, FLIGHTS, NORMALS, OVERRIDES, SITES, STATIONS, WEATHER
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.read_stations import read_stations
from snowtally.inputs.sheets import SUFFIXES
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import Finding, InputError, SettingsError
from snowtally.model.rules import files as rules
from snowtally.proposals.proposal import Proposal, Value
from snowtally.proposals.raw_table import MOST_BYTES, ends_of
from snowtally.settings.blocks import Format

TABLES: Mapping[str, Table] = {
    table.role: table for table in (SITES, COURSES, STATIONS, FLIGHTS, COVERS, WEATHER, NORMALS, OVERRIDES)
}
"""The tables of the settings' inputs that can be recognised."""

_FATAL = frozenset(
    {
        rules.UNREADABLE_FILE,
        rules.NO_USABLE_ROW,
        rules.NO_USABLE_SAMPLE,
        rules.FEW_USABLE_ROWS,
        rules.UNIT_LOOKS_WRONG,
    }
)
"""Findings after which a table is not proposed."""


@dataclass(frozen=True)
class Trial:
    """What came of reading files as proposed.

    Parameters
    ----------
    rows : as the readers give them; empty where nothing could be read.
    trouble : why it is not proposed, in the readers' words; empty where it is.
    """

    rows: pd.DataFrame
    trouble: str = ""


def nested(proposals: Sequence[Proposal]) -> dict[str, Value]:
    """Return proposals as an entry under `formats`.

    >>> nested([Proposal("decimal", ",", ""), Proposal("columns.depth", {"unit": "inch"}, "")])
    {'decimal': ',', 'columns': {'depth': {'unit': 'inch'}}}
    """
    entry: dict[str, Value] = {}
    for one in proposals:
        target, last = entry, one.key
        if one.key.startswith("columns."):
            last = one.key.removeprefix("columns.")
            under = entry.setdefault("columns", {})
            target = under if isinstance(under, dict) else entry
        target[last] = one.value
    return entry


def tried(
    role: str, files: Sequence[Path], proposals: Sequence[Proposal], missing: Sequence[str], *, lacks_clock: bool
) -> Trial:
    """Return what comes of reading files with the proposals."""
    entry = nested(proposals)
    if lacks_clock:
        # Which clock it is does not bear on whether the rows can be read.
        entry["clock"] = 0.0
    try:
        block = Format.model_validate(entry)
        how = FileFormat(**dict(block))
        check_formats({role: [how]}, list(TABLES.values()))
        with _cut(files) as shorter:
            rows, findings = _read(role, Source(shorter, {}, missing, [how]))
    except (InputError, SettingsError, ValueError) as trouble:
        return Trial(pd.DataFrame(), str(trouble).splitlines()[0])
    bad = [one for one in findings if one.rule in _FATAL]
    if bad:
        return Trial(rows, _in_words(bad))
    return Trial(rows)


def _in_words(findings: Sequence[Finding]) -> str:
    one = findings[0]
    more = f" (and {len(findings) - 1} more like it)" if len(findings) > 1 else ""
    return ": ".join(part for part in (one.rule.name, one.evidence, one.detail) if part) + more


def _read(role: str, source: Source) -> tuple[pd.DataFrame, list[Finding]]:
    if role == "sites":
        return read_sites(source)
    if role == "courses":
        return read_courses(source)
    if role == "stations":
        return read_stations(source, 0.0)
    return read_tables(source, TABLES[role])


@contextmanager
def _cut(files: Sequence[Path]) -> Iterator[list[Path]]:
    """Give the files, of large ones copies of their two ends under the same name."""
    with tempfile.TemporaryDirectory(prefix="snowtally-") as folder:
        shorter = []
        for number, path in enumerate(files):
            if path.suffix.casefold() in SUFFIXES or path.stat().st_size <= MOST_BYTES:
                shorter.append(path)
                continue
            target = Path(folder) / str(number) / path.name
            target.parent.mkdir()
            target.write_bytes(b"".join(ends_of(path)))
            shorter.append(target)
        yield shorter


def days_of(rows: pd.DataFrame) -> tuple[str, str]:
    """Return the first and the last day of rows.

    Empty where they have none.
    """
    if "date" not in rows or rows["date"].isna().all():
        return "", ""
    return str(rows["date"].min().date()), str(rows["date"].max().date())


def today() -> dt.date:
    """Return the day in UTC."""
    return dt.datetime.now(dt.UTC).date()
