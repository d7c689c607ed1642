"""A made folder is judged: `init --yes`, the night that it names, and the same night of the same data given canonically."""

from __future__ import annotations

import datetime as dt
import re
import time
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import yaml
from canonical import write_canonical
from made_basin import snowtally
from own_folder import OwnFolder
from same_rows import differences
from small_world import Records

from snowtally.gather.day import read_inputs
from snowtally.settings.basin import read_settings

SAYS = re.compile(r"(These settings are not ready|snowtally: )")
"""With what the message begins by which a command stops; what it found stands before it."""

MOST_OFF = 2.0
"""Per cent that a night's volume may differ from that of the same data given canonically."""

DATE = re.compile(r"--date\s+(\d{4}-\d\d-\d\d)")
CURE = re.compile(
    r"\b(columns|formats|terrain|basin|inputs|missing|unit|dates|clock|write|declare|say|set|give|name|add|put)\b",
    re.IGNORECASE,
)


@dataclass
class Verdict:
    """How a folder fared.

    Parameters
    ----------
    init_status, update_status : exit statuses, None where a command was not run.
    init_s, update_s : seconds, imports left out.
    off : volume against the canonical night, per cent.
    wrong : values that are others than the canonical ones: by `table.column`, how.
    lost : rows or columns that are not in the night.
    message : with what it stopped.
    names_file, names_cure : whether that message has a file of the folder and a word of a cure in it.
    """

    name: str
    init_status: int | None = None
    init_s: float = 0.0
    update_status: int | None = None
    update_s: float = 0.0
    off: float | None = None
    wrong: dict[str, str] = field(default_factory=dict)
    lost: list[str] = field(default_factory=list)
    message: str = ""
    names_file: bool = False
    names_cure: bool = False

    @property
    def published(self) -> bool:
        """Whether the night stands and its volume is right."""
        return self.off is not None and abs(self.off) <= MOST_OFF and not self.wrong

    @property
    def told(self) -> bool:
        """Whether it stopped with a message that names file and cure."""
        return self.off is None and self.names_file and self.names_cure

    @property
    def verdict(self) -> str:
        """One word."""
        if self.published:
            return "published"
        if self.wrong:
            return "SILENT"
        return "stopped" if self.told else "FAILED"


def run(*words: object) -> tuple[int, str, float]:
    """Run a command and return its exit status, what it said, and its seconds."""
    begun = time.monotonic()
    ran = snowtally(*words)
    return ran.returncode, f"{ran.stdout}\n{ran.stderr}", time.monotonic() - begun


def volume(archive: Path, date: str) -> float:
    """Return the basin's volume of a published night, m3."""
    newest = max(archive.glob(f"*/{date}/r[0-9]*"))
    totals = pd.read_csv(newest / "totals.csv")
    return float(totals.loc[totals["level"] == "basin", "volume_m3"].iloc[0])


def judged(own: OwnFolder, home: Path) -> Verdict:
    """Make a folder in `home`, let init and update run on it, and compare."""
    folder, verdict = home / own.name, Verdict(own.name)
    records = own.make(folder)
    verdict.init_status, said, verdict.init_s = run("init", folder, "--yes")
    settings, date = folder / "settings.yaml", DATE.search(said)
    if verdict.init_status not in (0, 3) or not settings.exists() or date is None:
        return _stopped(verdict, folder, said)
    verdict.update_status, said, verdict.update_s = run("update", settings, "--date", date[1])
    if verdict.update_status not in (0, 3):
        return _stopped(verdict, folder, said)
    canonical = canonical_settings(records, home / f"{own.name}_canonical", settings)
    status, said, _ = run("update", canonical, "--date", date[1])
    if status not in (0, 3):
        raise SystemExit(f"{own.name}: the canonical night failed: {said}")
    true = volume(canonical.parent / "archive", date[1])
    verdict.off = 100 * (volume(folder / "archive", date[1]) / true - 1)
    compare(verdict, settings, canonical, records, date[1])
    return verdict


def canonical_settings(records: Records, folder: Path, settings: Path) -> Path:
    """Write the data canonically, on the grid that a folder's own settings chose."""
    grid = yaml.safe_load(settings.read_text("utf-8"))["grid"]
    return write_canonical(records, folder, grid, season_start="04-01" if records.place.southern else "10-01")


def compare(verdict: Verdict, settings: Path, canonical: Path, records: Records, date: str) -> None:
    """Note what of a day's inputs is other, or less, than the canonical ones."""
    own, true = read_settings(settings), read_settings(canonical)
    day = dt.date.fromisoformat(date)
    if own.basin.season_start != true.basin.season_start:
        verdict.wrong["basin.season_start"] = f"{own.basin.season_start} for {true.basin.season_start}"
    apart = own.basin.utc_offset_hours - records.place.utc_offset
    # Without a stated clock the offset can only come from the longitude, which zones of time follow within two hours.
    if abs(apart) > (2 if records.daily else 0):
        verdict.wrong["basin.utc_offset_hours"] = f"{apart:+g} h off"
    read = [read_inputs(one, day, lambda _: None) for one in (own, true)]
    for difference in differences(read[0], read[1], daily=records.daily):
        if difference.lost:
            verdict.lost.append(f"{difference.what}: {difference.how}")
        else:
            verdict.wrong[difference.what] = difference.how


def message_of(said: str) -> str:
    """Return with what a command stopped, in one line, out of all that it said."""
    begins = SAYS.search(said)
    return re.sub(r"\s+", " ", said[begins.start() if begins else 0 :]).strip()


def _stopped(verdict: Verdict, folder: Path, said: str) -> Verdict:
    verdict.message = message_of(said)
    names = {path.name for path in folder.rglob("*") if path.is_file() and path.name != "settings.yaml"}
    verdict.names_file = any(name in verdict.message for name in names)
    verdict.names_cure = CURE.search(verdict.message) is not None
    return verdict
