"""One run of a basin's date at a time, across processes and machines.

A lock is a small file that says who holds it and beats while its holder lives. It is stale when its holder is known to be gone:
on this host by the process and the machine's boot, from another host by a beat that stops while we watch. Its age alone proves
nothing, and no two machines' clocks are compared.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import secrets
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from snowtally.model.problems import BusyError
from snowtally.publishing.staging import FOREIGN_S
from snowtally.storage.failures import explained
from snowtally.storage.files import make_folders, replace_file
from snowtally.storage.json_text import from_json
from snowtally.storage.locks import basin_lock
from snowtally.storage.paths import cache_folder, in_store
from snowtally.storage.processes import lives, myself

BEAT_S = 10.0
"""A holder says so often that it lives, s."""

SILENT_BEATS = 9
"""A holder on another host that is silent for so many beats is gone: a network file system may show a change a minute late."""


def nights_at_work(root: Path, basin: str) -> list[str]:
    """Return the dates of a basin whose locks are held.

    A holder on another host is not watched: it counts as at work while its lock's file is younger than `FOREIGN_S`.
    """
    dates = []
    for path in sorted((_home(root) / ".locks").glob(f"{basin}.*.json")):
        alive = lives(_holder(path))
        if alive is None:
            with suppress(FileNotFoundError):
                alive = time.time() - path.stat().st_mtime < FOREIGN_S
        if alive:
            dates.append(path.name.split(".")[1])
    return dates


def _home(root: Path) -> Path:
    # A store knows no locks: there the processes of this machine are kept apart, and the store refuses a second revision.
    return cache_folder(root) if in_store(root) else root


def _holder(path: Path) -> dict[str, Any]:
    """Return who holds a lock; nothing where nobody does. What cannot be read was never written whole."""
    try:
        holder = from_json(path.read_text("utf-8"))
    except (FileNotFoundError, ValueError):
        return {}
    return holder if isinstance(holder, dict) else {}


@dataclass
class NightLock:
    """The lock of one date of a basin, held inside `hold`."""

    root: Path
    basin: str
    date: dt.date
    run_id: str
    beat_s: float = BEAT_S

    @property
    def _home(self) -> Path:
        return _home(self.root)

    @property
    def path(self) -> Path:
        """Where the lock lies."""
        return self._home / ".locks" / f"{self.basin}.{self.date.isoformat()}.json"

    @contextmanager
    def hold(self, wait_s: float) -> Iterator[None]:
        """Hold the lock, waiting for another run of the same date.

        Raises
        ------
        BusyError : another run holds it after `wait_s` seconds.
        ArchiveError : the lock cannot be written.
        """
        mine = secrets.token_hex(8)
        done = threading.Event()
        beating = threading.Thread(target=self._beat, args=(mine, done), name=f"beat of {self.path.name}", daemon=True)
        # From the first moment at which the lock may be ours: a signal can stop this run anywhere.
        try:
            with explained(f"Cannot lock {self.basin} {self.date} in {self.root}"):
                make_folders(self.path.parent)
                self._take(mine, wait_s)
            beating.start()
            yield
        finally:
            done.set()
            if beating.ident is not None:
                beating.join()
            # What cannot be removed is stale as soon as this process ends.
            with suppress(OSError), basin_lock(self._home, self.basin):
                if self._read().get("token") == mine:
                    self.path.unlink()

    def _take(self, mine: str, wait_s: float) -> None:
        patience = time.monotonic() + wait_s
        watched: tuple[tuple[Any, Any], float] | None = None
        while True:
            with basin_lock(self._home, self.basin):
                holder = self._read()
                alive = lives(holder) if holder else False
                if alive is None:
                    sign = (holder.get("token"), holder.get("beat"))
                    if watched is None or watched[0] != sign:
                        watched = sign, time.monotonic()
                    alive = time.monotonic() - watched[1] < SILENT_BEATS * self._beat_of(holder)
                if not alive:
                    self._write(mine, 0)
                    return
            if time.monotonic() >= patience:
                raise BusyError(
                    f"{self.basin} {self.date} is being estimated by process {holder.get('pid')} on {holder.get('host')} "
                    f"(run {holder.get('run_id')}, since {holder.get('since')}). Wait for it, or stop it and run again"
                )
            time.sleep(min(0.2, self.beat_s))

    def _beat_of(self, holder: dict[str, Any]) -> float:
        """Return how often a holder says that it lives, s. What is no time that anybody could wait for is our own."""
        try:
            beat_s = float(holder["beat_s"])
        except (KeyError, TypeError, ValueError, OverflowError):
            return self.beat_s
        return beat_s if 0 < beat_s < math.inf else self.beat_s

    def _read(self) -> dict[str, Any]:
        return _holder(self.path)

    def _write(self, token: str, beat: int) -> None:
        since = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        content = myself() | {
            "run_id": self.run_id, "token": token, "beat": beat, "beat_s": self.beat_s, "since": since,
        }  # fmt: skip
        replace_file(self.path, json.dumps(content).encode(), self.path.parent)

    def _beat(self, mine: str, done: threading.Event) -> None:
        beat = 0
        while not done.wait(self.beat_s):
            beat += 1
            # A beat that is missed makes nobody's night fail: several must be.
            with suppress(Exception), basin_lock(self._home, self.basin):
                content = self._read()
                if content.get("token") != mine:
                    return
                replace_file(self.path, json.dumps(content | {"beat": beat}).encode(), self.path.parent)
