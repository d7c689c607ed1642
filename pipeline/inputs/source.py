"""The files of an input table, and what the settings say of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from snowtally.inputs.columns import ColumnSetting
from snowtally.inputs.formats import FileFormat, format_of
from snowtally.inputs.usable import LEAST_USABLE_SHARE


@dataclass(frozen=True)
class Source:
    """The files of an input table, and what the settings say of them.

    Parameters
    ----------
    files : in the order of reading; a later row corrects an earlier one.
    columns : for each canonical key, the user's header and unit where they differ.
    missing : codes that mean "no value".
    formats : how files are written that are not plain CSV; the first whose pattern a file's name meets counts.
    least_share : share, 0 to 1, of a file's rows, and of each column's values, that must be usable.
    season_start : first day of the snow season, month-day.
    """

    files: Sequence[Path] = ()
    columns: Mapping[str, ColumnSetting] = field(default_factory=dict)
    missing: Sequence[str] = ()
    formats: Sequence[FileFormat] = ()
    least_share: float = LEAST_USABLE_SHARE
    season_start: str = "10-01"

    def format_of(self, path: Path) -> FileFormat:
        """Return how one of the files is written."""
        return format_of(path, self.columns, self.formats)

    def unit(self, file: str, key: str) -> str | None:
        """Return the unit that the settings declare for a key of a file, None where they declare none."""
        setting = self.format_of(Path(file)).columns.get(key)
        return None if setting is None else setting.unit
