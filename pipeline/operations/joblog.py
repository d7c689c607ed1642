"""What runs say of themselves: one JSON object a line, with the run's id on each."""

from __future__ import annotations

import datetime as dt
import json
import os
from pathlib import Path
from typing import Any

from snowtally.model.problems import ArchiveError
from snowtally.storage.paths import cache_folder, in_store


def operations_folder(archive: Path) -> Path:
    """Return the folder of an archive's log and notes of runs.

    It lies in the archive, for an object store on this machine.
    """
    return cache_folder(archive) / "operations" if in_store(archive) else archive / ".operations"


class JobLog:
    """The log of an archive's runs.

    Parameters
    ----------
    archive : the archive's folder.
    run_id : is on every line.
    """

    def __init__(self, archive: Path, run_id: str) -> None:
        self.path = operations_folder(archive) / "log.jsonl"
        self.run_id = run_id

    def write(self, event: str, **facts: Any) -> dict[str, Any]:  # noqa: ANN401  plain values of any kind
        """Add one line and return it.

        Lines of processes that write at once do not mix.

        Raises
        ------
        ArchiveError : the log cannot be written.
        """
        line = {
            "time": dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds"),
            "run_id": self.run_id,
            "event": event,
        }
        line |= {name: value for name, value in facts.items() if value not in (None, "", [])}
        data = (json.dumps(line, ensure_ascii=False, default=str) + "\n").encode("utf-8", "backslashreplace")
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            descriptor = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
            try:
                # One call: the system puts it at the end in one piece.
                os.write(descriptor, data)
            finally:
                os.close(descriptor)
        except OSError as trouble:
            raise ArchiveError(
                f"The runs' log {self.path} cannot be written: {trouble.strerror}. Look at the disk"
            ) from trouble
        return line
