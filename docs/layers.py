"""The folders of pipeline/ from the lowest to the highest, what each is for, and which it may import.

The tests hold the code to this table (tests/test_layers.py). `python docs/layers.py` draws it into DEVELOPERS.md.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PIPELINE = ROOT / "pipeline"
PAGE = ROOT / "DEVELOPERS.md"
START, END = "<!-- layers: made by docs/layers.py -->", "<!-- end of layers -->"


@dataclass(frozen=True)
class Folder:
    """A folder of pipeline/, or a module at its root.

    Parameters
    ----------
    subject : what it is for, in one line.
    imports : the folders below that it imports.
    stage : which stage of a night it belongs to, for the figure.
    """

    subject: str
    imports: frozenset[str]
    stage: str


def _folder(stage: str, subject: str, imports: str = "") -> Folder:
    return Folder(subject, frozenset(imports.split()), stage)


SHARED, FILES, SCIENCE, NIGHT, ARCHIVE, PEOPLE = STAGES = (
    "shared by all",
    "from files to checked measurements",
    "from measurements to an estimate",
    "one night",
    "the archive",
    "people",
)

FOLDERS = {
    "model": _folder(SHARED, "shapes that travel: grid, ground record, day, season, variables, problems"),
    "statistics": _folder(
        SHARED,
        "kriging, variogram, regression, parts of errors and their sums over areas, totals, intervals, scores",
        "model",
    ),
    "storage": _folder(SHARED, "where bytes lie: folder or object store, cache, locks, parquet", "model"),
    "sites": _folder(FILES, "values of a site with errors, overrides by hand", "model"),
    "inputs": _folder(FILES, "any table or raster to canonical columns and units", "model storage"),
    "courses": _folder(FILES, "checks of snow courses", "model sites statistics"),
    "stations": _folder(FILES, "checks and daily values of stations", "courses model sites statistics"),
    "flights": _folder(FILES, "laser rasters to depth on the grid, with its error", "inputs model storage"),
    "terrain": _folder(SCIENCE, "canopy, sun, horizon and shape of the ground", "statistics storage"),
    "snow": _folder(SCIENCE, "density, accumulation and melt, background, blend", "model statistics terrain"),
    "melt": _folder(SCIENCE, "the melt outlook", "model snow statistics terrain"),
    "estimate": _folder(
        SCIENCE, "the order of the science; the map as published", "melt model snow statistics terrain"
    ),
    "archive": _folder(ARCHIVE, "columns, records, and which revision is current", "model storage"),
    "reading": _folder(ARCHIVE, "the public door for Python readers", "archive model storage"),
    "publishing": _folder(
        ARCHIVE, "a day as files, archived inputs, publishing, derived files", "archive model reading storage"
    ),
    "inspection": _folder(ARCHIVE, "compare, verify, status", "archive model publishing reading storage"),
    "report": _folder(PEOPLE, "pages", "archive inspection model publishing reading statistics storage"),
    "settings": _folder(NIGHT, "the settings file of a basin", "courses flights inputs model stations storage"),
    "gather": _folder(
        NIGHT,
        "a date's inputs: files found, read, checked and brought together",
        "archive courses estimate flights inputs model publishing reading settings sites snow stations storage terrain",
    ),
    "operations": _folder(
        NIGHT,
        "one date's run, reruns, which dates are due, arrival of inputs, alerts",
        "archive estimate flights gather inputs model publishing reading report settings storage",
    ),
    "planning": _folder(
        PEOPLE,
        "where to measure next",
        "estimate flights gather inputs model publishing settings snow statistics storage",
    ),
    "proposals": _folder(
        PEOPLE, "what a folder's files are, and the settings proposed for them", "gather inputs model settings"
    ),
    "cli": _folder(
        PEOPLE,
        "commands and what they print",
        "archive estimate gather inspection model operations planning proposals publishing reading report settings storage",
    ),
}
"""Each imports only folders that stand above it in this list, so that no two folders import each other."""


def modules(folder: Path) -> list[Path]:
    """Return the modules under a folder, in order."""
    return sorted(path for path in folder.rglob("*.py") if path.name != "__init__.py")


def imported(path: Path) -> Iterator[str]:
    """Yield the dotted names of the modules that a module imports."""
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module == "snowtally":
            yield from (f"snowtally.{alias.name}" for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def drawn() -> str:
    """Return the table in Markdown: a night's way from top to bottom."""
    lines = ["| stage | folder | what for | imports |", "| --- | --- | --- | --- |"]
    for stage in STAGES:
        for name, folder in FOLDERS.items():
            if folder.stage == stage:
                shown = f"`pipeline/{name}/`" if (PIPELINE / name).is_dir() else f"`pipeline/{name}.py`"
                lines.append(
                    f"| {stage} | {shown} | {folder.subject} | {', '.join(sorted(folder.imports)) or 'none'} |"
                )
    return "\n".join(lines)


def page() -> str:
    """Return DEVELOPERS.md with the table of today."""
    before, _, rest = PAGE.read_text("utf-8").partition(START)
    return f"{before}{START}\n{drawn()}\n{END}{rest.partition(END)[2]}"


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
