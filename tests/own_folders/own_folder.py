"""What a made folder is: its place, its peculiarities, and what a silent mistake in it would look like."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from small_world import Place, Records, make_records


@dataclass(frozen=True)
class OwnFolder:
    """One way of keeping records.

    Parameters
    ----------
    name : of the folder.
    place : where its basin lies.
    peculiar : what is peculiar about its files.
    silent : by `table.column` of the canonical rows, what a mistake that nobody tells would look like there.
    write : writes the files into a folder and returns the data as they were rounded by writing.
    may_stop : what of it cannot be known from the files, so that init must ask.
    """

    name: str
    place: Place
    peculiar: str
    silent: dict[str, str]
    write: Callable[[Path, Records], Records]
    may_stop: str = ""

    def make(self, folder: Path) -> Records:
        """Write the folder and return its data as written."""
        folder.mkdir(parents=True)
        return self.write(folder, make_records(self.place))


FOLDERS: dict[str, OwnFolder] = {}


def own_folder(place: Place, peculiar: str, silent: dict[str, str], *, may_stop: str = ""):
    """Note a maker under its function's name."""

    def noted(write: Callable[[Path, Records], Records]) -> Callable[[Path, Records], Records]:
        FOLDERS[write.__name__] = OwnFolder(write.__name__, place, peculiar, silent, write, may_stop)
        return write

    return noted
