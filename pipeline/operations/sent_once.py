"""What was sent to people and still holds, so that the same alert is sent once, whatever is started anew in between."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from snowtally.operations.joblog import operations_folder
from snowtally.storage.files import replace_file
from snowtally.storage.json_text import from_json


@dataclass(frozen=True)
class SentOnce:
    """A note beside an archive of what was sent about a basin.

    Parameters
    ----------
    archive : the archive's folder.
    basin, event : whose note it is, and of which kind of alert.
    """

    archive: Path
    basin: str
    event: str

    def is_new(self, facts: set[str]) -> bool:
        """Return whether some of the facts were not sent yet.

        Where the note cannot be read, all are new.
        """
        return not facts <= self._sent()

    def remember(self, facts: set[str]) -> None:
        """Note what was sent and still holds.

        What is over is sent again when it comes back. A note that cannot be written costs the same alert once more, never a night.
        """
        if facts == self._sent():
            return
        path = self._path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            data = json.dumps(sorted(facts), ensure_ascii=False, indent=1) + "\n"
            replace_file(path, data.encode("utf-8", "backslashreplace"), path.parent)
        except OSError:
            return

    @property
    def _path(self) -> Path:
        return operations_folder(self.archive) / "told" / f"{self.basin}.{self.event}.json"

    def _sent(self) -> set[str]:
        try:
            sent = from_json(self._path.read_text("utf-8"))
        except (OSError, ValueError):
            return set()
        return {fact for fact in sent if isinstance(fact, str)} if isinstance(sent, list) else set()
