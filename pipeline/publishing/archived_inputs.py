"""What days were made from, kept beside them once each by content, so that the archive alone can make them again.

How rows and grids are hashed and kept stands in `snowtally.publishing.archived_rows` and `snowtally.publishing.archived_grids`.
"""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import xarray as xr

from snowtally.model.problems import ArchiveError
from snowtally.publishing.archived_grids import archive_grids, read_grids
from snowtally.publishing.archived_rows import archive_rows, read_rows
from snowtally.publishing.staging import prepared, staged
from snowtally.reading import basin_folder
from snowtally.storage.failures import explained
from snowtally.storage.files import make_folders


def inputs_folder(root: str | Path, basin: str) -> Path:
    """Return where a basin's canonical rows and grids are kept."""
    return basin_folder(root, basin) / "inputs"


def is_input(name: str) -> bool:
    """Return whether a file's name is one that an archived input has."""
    return _INPUT.fullmatch(name) is not None


_INPUT = re.compile(r"[0-9a-f]{64}\.(json|csv\.gz|nc)")


def archive_inputs(
    root: str | Path, basin: str, rows: dict[str, pd.DataFrame], grids: dict[str, xr.Dataset]
) -> dict[str, str]:
    """Archive canonical rows and grids under BASIN/inputs; return their hashes by name.

    What is there already is not written again.

    Raises ArchiveError when they cannot be written, or a table holds what CSV cannot say.
    """
    hashes = {}
    with explained(f"Cannot keep the inputs of {basin} in {root}"):
        archive = prepared(root)
        folder = inputs_folder(archive, basin)
        make_folders(folder)
        with staged(archive, basin) as work:
            for name, table in rows.items():
                hashes[name] = archive_rows(table, folder, work)
            for name, dataset in grids.items():
                hashes[name] = archive_grids(dataset, folder, work)
    return hashes


def read_archived(
    root: str | Path, basin: str, hashes: dict[str, str]
) -> tuple[dict[str, pd.DataFrame], dict[str, xr.Dataset]]:
    """Return the canonical rows and grids that a record names, by name.

    Raises ArchiveError when one is not kept, or is not what its hash says.
    """
    folder = inputs_folder(root, basin)
    rows, grids = {}, {}
    for name, sha256 in hashes.items():
        if (folder / f"{sha256}.nc").exists():
            grids[name] = read_grids(folder, sha256)
        elif (folder / f"{sha256}.json").exists():
            rows[name] = read_rows(folder, sha256)
        else:
            raise ArchiveError(f"{folder} does not hold the {name} {sha256}. Put them back from a copy.")
    return rows, grids
