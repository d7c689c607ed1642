"""What people were told and still holds, so that the same alert is sent once, whatever is started anew in between."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from pipeline.operations.joblog import operations_folder
from pipeline.storage.files import replace_file
from pipeline.storage.json_text import from_json


@dataclass(frozen=True)
class ToldOnce:
    """A note beside an archive of what people were told of a basin.

    Parameters
    ----------
    archive : the archive's folder.
    basin, event : whose note it is, and of which kind of alert.
    """

    archive: Path
    basin: str
    event: str

    def is_new(self, facts: set[str]) -> bool:
        """Return whether some of the facts were not told yet. Of a note that cannot be read all are new."""
        return not facts <= self._told()

    def remember(self, facts: set[str]) -> None:
        """Keep what was told and still holds: what is over is told again when it comes back.

        A note that cannot be written costs the same alert once more, never a night.
        """
        if facts == self._told():
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

    def _told(self) -> set[str]:
        try:
            told = from_json(self._path.read_text("utf-8"))
        except (OSError, ValueError):
            return set()
        return {one for one in told if isinstance(one, str)} if isinstance(told, list) else set()
