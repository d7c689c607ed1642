"""The command that copies days of the archive into one Zarr folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from snowtally.cli import base
from snowtally.model.problems import SnowtallyError


def cube(
    settings: base.SettingsFile,
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The Zarr folder to write, outside of the archive; an older cube is replaced.")],
    start: Annotated[str | None, typer.Option("--from", metavar="D", help="First date. Default: the archive's first.")] = None,
    end: Annotated[str | None, typer.Option("--until", metavar="E", help="Last date. Default: the archive's last.")] = None,
    as_json: base.JsonOption = False,
) -> None:  # fmt: skip
    """Copy the grids of a season into one Zarr folder, for readers of many days at once."""
    import numpy as np

    from snowtally import reading
    from snowtally.storage.paths import outside_archives

    try:
        from snowtally.publishing.cube import write_cube
    except ImportError as error:
        raise SnowtallyError("A cube needs the package zarr: pip install 'snowtally[cube]'") from error

    chosen = base.read(settings)
    first = None if start is None else base.date_of(start, "--from")
    last = None if end is None else base.date_of(end, "--until")
    outside_archives(folder, "FOLDER")
    days = reading.open_days(chosen.archive_root, chosen.basin.id, first, last)
    write_cube(days, folder)
    # The local day, as in all tables.
    noons = days["time"].to_numpy() + np.timedelta64(round(3600 * chosen.basin.utc_offset_hours), "s")
    dates = [str(noon)[:10] for noon in noons]
    base.finish(CubeResult(chosen.basin.id, folder, len(dates), dates[0], dates[-1]), as_json=as_json)


@dataclass(frozen=True)
class CubeResult(base.Result):
    """What was copied.

    Parameters
    ----------
    basin : its id.
    folder : the Zarr folder.
    days, first, last : how many days, and the local days of the first and the last.
    """

    basin: str
    folder: Path
    days: int
    first: str
    last: str

    @property
    def status(self) -> base.Status:
        """Always done: what cannot be written is raised."""
        return base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return the folder and what it holds."""
        return {
            "basin": self.basin,
            "written": str(self.folder),
            "days": self.days,
            "first": self.first,
            "last": self.last,
        }

    def to_table(self) -> list[Any]:
        """Return one line."""
        days = "1 day" if self.days == 1 else f"{self.days} days"
        return [
            f"{self.basin}: {days} from {self.first} to {self.last} written to {self.folder}. Write it again after a rerun."
        ]
