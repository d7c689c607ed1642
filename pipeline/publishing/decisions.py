"""The list of decisions, to which lines are only ever added."""

from __future__ import annotations

from pathlib import Path

from snowtally.storage.files import append_line
from snowtally.storage.paths import in_store, put_new


def decide(path: Path, line: str) -> None:
    """Add one line to `decisions.jsonl`. Raises OSError."""
    if not in_store(path):
        append_line(path, line)
        return
    # A store cannot add to an object. Each line is first put by itself, by its number, which only one writer can; whoever finds
    # that one was put and is not in the list yet, since its writer died, takes it along.
    claims = path.parent.parent / ".locks" / path.parent.name / "decisions"
    data = line.encode("utf-8") + b"\n"
    while True:
        said = path.read_bytes() if path.exists() else b""
        number = said.count(b"\n") + 1
        claim = claims / f"{number:06d}"
        try:
            put_new(claim, data)
        except FileExistsError:
            path.write_bytes(said + claim.read_bytes())
            continue
        path.write_bytes(said + data)
        return
