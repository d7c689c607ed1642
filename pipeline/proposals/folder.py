"""The files of a folder by kind: what may be a table, a raster or outlines, and what is no input."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

from snowtally.inputs.sheets import SUFFIXES as WORKBOOKS
from snowtally.model.problems import SettingsError
from snowtally.proposals.proposal import UnknownFile


class Kind(Enum):
    """What a file is by its name and first bytes."""

    TABLE = "table"
    WORKBOOK = "workbook"
    NETCDF = "NetCDF"
    RASTER = "raster"
    VECTOR = "vector"
    COMPANION = "companion"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class FolderFile:
    """A file of the folder.

    Parameters
    ----------
    path : absolute.
    kind : what it is.
    why : of an unknown file, why it is no input and what to do.
    """

    path: Path
    kind: Kind
    why: str = ""


@dataclass(frozen=True)
class Folder:
    """The files of a folder and its sub-folders.

    Parameters
    ----------
    path : the folder, absolute.
    files : sorted by path.
    """

    path: Path
    files: tuple[FolderFile, ...]

    def of(self, *kinds: Kind) -> list[Path]:
        """Return the paths of the files of some kinds."""
        return [file.path for file in self.files if file.kind in kinds]

    @property
    def unused(self) -> list[UnknownFile]:
        """The files that are no input, and why."""
        return [UnknownFile(file.path, file.why) for file in self.files if file.kind is Kind.UNKNOWN]


_SUFFIXES = {
    Kind.TABLE: ".csv .txt .tsv .tab .dat .psv .prn",
    Kind.WORKBOOK: " ".join(WORKBOOKS),
    Kind.NETCDF: ".nc .nc4 .cdf .netcdf",
    Kind.RASTER: ".tif .tiff .vrt .img .asc .bil .bip .bsq .flt .dem .dt0 .dt1 .dt2 .hgt .jp2 .grd .sdat .kea .h5 .hdf",
    Kind.VECTOR: ".geojson .json .gpkg .shp .fgb .kml .kmz .gml .gdb .topojson",
    Kind.COMPANION: ".prj .dbf .shx .sbn .sbx .cpg .qix .qpj .qmd .xml .hdr .tfw .tifw .wld .jgw .ovr .msk .stx .clr .aux .lyr .qml .rrd",
}
"""Endings of files' names by kind: those of the formats that GDAL reads, and of what lies beside them."""

_BY_SUFFIX = {suffix: kind for kind, suffixes in _SUFFIXES.items() for suffix in suffixes.split()}

_NO_INPUT = {
    "it is a page or a program, no input": ".md .rst .html .htm .pdf .doc .docx .odt .rtf .py .r .sh .m .ipynb .log .toml .yaml .yml .ini .lock",
    "it is a picture, no measurement": ".png .jpg .jpeg .gif .svg .bmp .webp",
    "it is packed. Unpack it in the folder, and run init again": ".zip .gz .tgz .bz2 .xz .7z .rar .tar .zst",
    "it is a workbook of an old or other form. Save it as .xlsx, and run init again": ".xls .xlsb .ods .numbers",
    "it is a database. Export its tables as CSV, and run init again": ".mdb .accdb .sqlite .db .parquet",
}

_WHY_NOT = {suffix: why for why, suffixes in _NO_INPUT.items() for suffix in suffixes.split()}

_SKIPPED_FOLDERS = {"__pycache__", "node_modules"}

_HEAD_BYTES = 4096
"""So much of a file's beginning shows what it is (chosen: a whole header line fits)."""


def folder_of(path: Path, own_files: Sequence[Path] = ()) -> Folder:
    """Return the files of a folder and its sub-folders, by kind.

    Hidden files, archives of this program and its own files are passed over.

    Parameters
    ----------
    own_files : the settings file that is written, and what is written beside it.
    """
    root = Path(os.path.realpath(path))
    if not _is_spelt(root):
        raise SettingsError(
            f"{_spelt(root)}: the folder's name, or that of one above it, is not UTF-8. Give it another name"
        )
    if (root / ARCHIVE_MARK).is_file():
        raise SettingsError(f"{root} is an archive of this program. Give the folder that holds the basin's files")
    own = {Path(os.path.realpath(file)) for file in own_files}
    closed: list[OSError] = []
    paths = [file for file in _walk(root, closed) if not any(_is_own(file, one) for one in own)]
    names = {file.name.lower() for file in paths}
    described = [_described(file, names) for file in sorted(paths)]
    return Folder(root, (*described, *map(_closed, closed)))


ARCHIVE_MARK = "archive.json"
"""The file by which a folder is known as an archive."""


def _walk(root: Path, closed: list[OSError]) -> Iterator[Path]:
    """Yield the files of a folder and of those that links lead to, each once.

    Parameters
    ----------
    closed : takes the folders that cannot be looked into.
    """
    seen: set[Path] = set()
    for home, folders, names in os.walk(root, onerror=closed.append, followlinks=True):
        if ARCHIVE_MARK in names:
            folders.clear()
            continue
        # A folder .gdb is one vector file.
        vectors = [name for name in folders if name.lower().endswith(".gdb")]
        yield from (Path(home, name) for name in vectors)
        inner = [
            Path(home, name)
            for name in sorted(folders)
            if not name.startswith(".") and name not in _SKIPPED_FOLDERS and name not in vectors
        ]
        folders.clear()
        for folder in inner:
            real = Path(os.path.realpath(folder))
            # A link to a folder of these, or to one that holds them, would give files a second time.
            is_again = folder.is_symlink() and (real.is_relative_to(root) or root.is_relative_to(real))
            if not is_again and real not in seen:
                seen.add(real)
                folders.append(folder.name)
        yield from (Path(home, name) for name in names if not name.startswith((".", "~$")))


def _closed(trouble: OSError) -> FolderFile:
    path = Path(str(trouble.filename))
    return FolderFile(_spelt(path), Kind.UNKNOWN, f"the folder cannot be looked into ({trouble.strerror})")


def _spelt(path: Path) -> Path:
    """Return a path whose name can be written: bytes that are not UTF-8 as escapes."""
    return Path(str(path).encode("utf-8", "backslashreplace").decode())


def _is_spelt(path: Path) -> bool:
    return _spelt(path) == path


def _is_own(file: Path, own: Path) -> bool:
    """Return whether a file is one of ours, or an earlier one that was kept."""
    return file.parent == own.parent and re.fullmatch(re.escape(own.name) + r"(\.\d+)?", file.name) is not None


def _described(path: Path, names: set[str]) -> FolderFile:
    suffix = path.suffix.lower()
    if not _is_spelt(path):
        return FolderFile(_spelt(path), Kind.UNKNOWN, "its name is not UTF-8. Give it another name, and run init again")
    try:
        head = b"" if path.is_dir() else _head(path)
    except OSError as trouble:
        return FolderFile(path, Kind.UNKNOWN, f"it cannot be read ({trouble.strerror})")
    if not path.is_dir() and not head:
        return FolderFile(path, Kind.UNKNOWN, "it is empty")
    if suffix in _WHY_NOT:
        return FolderFile(path, Kind.UNKNOWN, _WHY_NOT[suffix])
    if suffix == ".dbf" and path.with_suffix(".shp").name.lower() not in names:
        return FolderFile(path, Kind.UNKNOWN, "it is a table of dBASE. Export it as CSV, and run init again")
    kind = _BY_SUFFIX.get(suffix, Kind.UNKNOWN)
    if kind in (Kind.TABLE, Kind.UNKNOWN) and _is_text_grid(head):
        kind = Kind.RASTER
    elif suffix in (".json", ".topojson"):
        is_vector = b'"Feature' in head or b'"Topology"' in head or b'"coordinates"' in head
        kind = Kind.VECTOR if is_vector else Kind.UNKNOWN
    elif kind is Kind.UNKNOWN and _is_text(head):
        kind = Kind.TABLE
    return FolderFile(path, kind, "nothing here reads such a file" if kind is Kind.UNKNOWN else "")


def _head(path: Path) -> bytes:
    # A pipe or a device would wait for ever.
    if not path.is_file():
        raise OSError(0, "it is no file")
    with path.open("rb") as stream:
        return stream.read(_HEAD_BYTES)


def _is_text_grid(head: bytes) -> bool:
    """Return whether a file begins as a text grid does: `ncols 120`."""
    return re.match(rb"\s*ncols\s+\d+\s+nrows\s+\d+", head, re.IGNORECASE) is not None


_LEAST_LINES = 2
"""A header and a row: one line alone is no table."""


def _is_text(head: bytes) -> bool:
    """Return whether bytes are lines of text in an encoding that has no zero bytes."""
    controls = sum(byte < ord(" ") and byte not in b"\t\n\r\f" for byte in head)
    return not controls and len(re.split(rb"[\r\n]+", head.strip())) >= _LEAST_LINES
