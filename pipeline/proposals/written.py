"""What is proposed, as files.

The settings, tables beside them, and earlier ones kept aside.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Sequence
from pathlib import Path

from snowtally.proposals.flight_tables import NewTable
from snowtally.proposals.proposed import Proposed
from snowtally.proposals.write import relative, spare_name, text_of
from snowtally.settings.basin import read_settings

HEADING = (
    "Settings proposed by `snowtally init`. The lines above a key say why its value was proposed. Nothing is guessed later: what stands "
    "here is what counts, so change what is wrong. docs/settings.md explains every key.",
)


def write_proposed(proposed: Proposed, target: Path) -> list[Path]:
    """Write what is proposed, and return the files written, the settings last.

    The settings are read back by the program's own reader first, where nothing is missing or undecided in them. Files of these names
    that are there are kept under other names.

    Raises
    ------
    SettingsError : they cannot be read back. Nothing is written then.
    OSError : a file cannot be written.
    """
    home = target.parent
    home.mkdir(parents=True, exist_ok=True)
    text = text_of(proposed.draft, home, HEADING, proposed.unused, proposed.undecided)
    if proposed.is_whole:
        _read_back(text, home)
    written = []
    for table in proposed.new_tables:
        path = home / table.name_in(home)
        _put(path, _csv(table, home))
        written.append(path)
    _put(target, text)
    return [*written, target]


def _read_back(text: str, home: Path) -> None:
    part = home / f".settings-{os.getpid()}.yaml"
    try:
        part.write_text(text, "utf-8")
        read_settings(part)
    finally:
        part.unlink(missing_ok=True)


def _put(path: Path, text: str) -> None:
    """Write a file in one step.

    One that is there is kept under another name.
    """
    part = path.with_name(f".{path.name}-{os.getpid()}")
    try:
        part.write_text(text, "utf-8")
        if path.exists():
            path.rename(spare_name(path))
        part.rename(path)
    finally:
        part.unlink(missing_ok=True)


def _csv(table: NewTable, home: Path) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(table.header)
    for row in table.rows:
        writer.writerow([_cell(row.get(name, ""), home) for name in table.header])
    return out.getvalue()


def _cell(value: str | Sequence[Path], home: Path) -> str:
    return value if isinstance(value, str) else ";".join(relative(path, home) for path in value)
