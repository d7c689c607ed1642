"""Small JSON files of notes by date: aids that no promise rests on."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import Any

from snowtally.publishing.staging import Work
from snowtally.storage.files import replace_file
from snowtally.storage.json_text import from_json


def dated_notes(path: Path, kinds: dict[str, type]) -> dict[dt.date, dict[str, Any]]:
    """Return a file's notes by date, with the values named in `kinds`. A file that cannot be read holds none."""
    try:
        noted = from_json(path.read_text("utf-8"))
        return {
            dt.date.fromisoformat(date): {name: kind(one[name]) for name, kind in kinds.items()}
            for date, one in noted.items()
        }
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return {}


def write_dated_notes(path: Path, notes: dict[dt.date, dict[str, Any]], work: Work) -> None:
    """Replace a file of notes, in the order of their dates. Raises OSError."""
    text = json.dumps({date.isoformat(): notes[date] for date in sorted(notes)}, ensure_ascii=False, indent=1)
    replace_file(path, f"{text}\n".encode(), work.folder)
