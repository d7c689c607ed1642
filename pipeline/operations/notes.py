"""Notes of nights at work, so that the next start can tell which were killed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from snowtally.operations.joblog import operations_folder
from snowtally.storage.files import replace_file
from snowtally.storage.json_text import from_json
from snowtally.storage.processes import lives, myself


def _folder(archive: Path) -> Path:
    return operations_folder(archive) / "runs"


@contextmanager
def noted(archive: Path, run_id: str, night: dict[str, Any]) -> Iterator[None]:
    """Have a note of a night while it is at work.

    Parameters
    ----------
    night : what the next start is to know of it, in plain values.
    """
    folder = _folder(archive)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{run_id}.{night['basin']}.{night['date']}.json"
    replace_file(path, json.dumps({"run_id": run_id, **night, "process": myself()}).encode(), folder)
    try:
        yield
    finally:
        path.unlink(missing_ok=True)


def forget(archive: Path, run_id: str) -> None:
    """Remove the notes of a run that was stopped on purpose.

    So the next start reports no crash. Raises OSError.
    """
    for path, note in _notes(archive).items():
        if note["run_id"] == run_id:
            path.unlink(missing_ok=True)


def notes_of_crashed(archive: Path) -> list[dict[str, Any]]:
    """Return the notes of nights whose process is gone.

    Those of other hosts are left: their own next start reports them.
    """
    return [note for note in _notes(archive).values() if lives(note["process"]) is False]


def crashed_nights(archive: Path) -> list[dict[str, Any]]:
    """Remove and return the notes of nights whose process is gone.

    Each is returned to one caller only.
    """
    crashed = []
    for path, note in _notes(archive).items():
        if lives(note["process"]) is False:
            # Another start may have taken it first.
            with suppress(FileNotFoundError):
                path.unlink()
                crashed.append(note)
    return crashed


def _notes(archive: Path) -> dict[Path, dict[str, Any]]:
    """Return the notes that can be read, by file."""
    notes = {}
    for path in sorted(_folder(archive).glob("*.json")):
        try:
            note = from_json(path.read_text("utf-8"))
        except (OSError, ValueError):
            continue
        if (
            isinstance(note, dict)
            and isinstance(note.get("process"), dict)
            and {"run_id", "basin", "date"} <= set(note)
        ):
            notes[path] = note
    return notes
