"""What `snowtally --version` prints: the program's version and those of what it reads files with."""

from __future__ import annotations

import platform
from dataclasses import dataclass
from typing import Any

from snowtally.cli import base


@dataclass(frozen=True)
class Versions(base.Result):
    """The versions of the program and of what it reads files with.

    Parameters
    ----------
    snowtally : as in the record of a revision: with the commit where the program runs from a checkout.
    commit : empty where it is not known.
    gdal, proj : of rasters, and of coordinates.
    """

    snowtally: str
    commit: str
    python: str
    gdal: str
    proj: str

    def to_json(self) -> dict[str, Any]:
        """Return them by name."""
        return {
            "snowtally": self.snowtally,
            "commit": self.commit or None,
            "python": self.python,
            "gdal": self.gdal,
            "proj": self.proj,
        }

    def to_table(self) -> list[Any]:
        """Return them in one line."""
        commit = f", commit {self.commit}" if self.commit else ""
        return [f"snowtally {self.snowtally}{commit}, Python {self.python}, GDAL {self.gdal}, PROJ {self.proj}"]


def versions() -> Versions:
    """Return the versions of this installation."""
    import pyproj
    import rasterio

    from snowtally.operations.code_version import code_version

    release, commit = code_version()
    return Versions(release, commit, platform.python_version(), rasterio.__gdal_version__, pyproj.proj_version_str)
