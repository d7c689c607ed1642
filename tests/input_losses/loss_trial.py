"""One loss tried: a sound night, the damage, and the same date again; the same on a new archive.

What is judged is what a user of the archive has: exit status, the record's word on being degraded, the volume, the current
revision. No verdict depends on the words of a message.
"""

from __future__ import annotations

import csv
import dataclasses
import hashlib
import json
import pickle
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "made"))

from forked_command import Limits, Ran, Running, start
from losses import FILE, SAID, SETTINGS, SLIP, Loss

MOST_OFF = 1.0
"""Per cent of the volume: the bar of a silent night."""

SAME = 0.05
"""Per cent: a volume so near is the same estimate, whatever was read in another way."""

LIMITS = Limits(cpu_s=300, memory=4 << 30)

AGAIN, FRESH, NEXT = "again", "fresh", "next"
"""The same date again over its sound revision; the date on a new archive; the next date beside a sound revision."""


@dataclass(frozen=True)
class Home:
    """A basin's good files, and its sound nights.

    Parameters
    ----------
    folder : the files, the settings as `basin.yaml`; beside them `archive` with a sound night of `date`.
    date, next_date : the date tried, and the one after it.
    good : the sound volume of each date, m3.
    """

    folder: Path
    basin_id: str
    date: str
    next_date: str
    good: dict[str, float]


@dataclass(frozen=True)
class Night:
    """What a run on damaged inputs left behind.

    Parameters
    ----------
    scenario : AGAIN, FRESH or NEXT.
    degraded : what the newest revision's record gives as reasons; empty for a sound one or none.
    off : per cent that the volume of the newest revision is off; None where nothing was published.
    replaced : whether readers get another revision than the sound one of the same date.
    """

    scenario: str
    ran: Ran
    degraded: list[str]
    off: float | None
    replaced: bool

    @property
    def traceback(self) -> bool:
        """Whether a traceback was shown, or the process fell."""
        return "Traceback (most recent call last)" in self.ran.stdout + self.ran.stderr or self.ran.status < 0

    @property
    def message(self) -> str:
        """Return what it said: why it failed, or why it is degraded."""
        said = "; ".join(self.degraded) or (self.ran.stderr.strip().splitlines() or [""])[-1]
        return " ".join(said.split()).removeprefix("snowtally: ")


@dataclass(frozen=True)
class Tried:
    """A loss with what became of its nights."""

    loss: Loss
    nights: list[Night]
    breaches: list[str] = field(default_factory=list)


def breaches(loss: Loss, night: Night) -> list[str]:
    """Return which bars a night breaks, by name."""
    broken = []
    if night.traceback or night.ran.status not in (0, 1, 2, 3):
        broken.append("traceback" if night.traceback else f"status {night.ran.status}")
    if night.ran.stopped:
        broken.append("too long")
    if loss.told_by == SAID:
        return broken
    off = 0.0 if night.off is None else abs(night.off)
    knows = night.scenario != FRESH or loss.told_by == FILE
    if knows and night.ran.status == 0 and not night.degraded and off > MOST_OFF:
        broken.append("silent")
    if night.replaced and (night.degraded or off > MOST_OFF or (loss.told_by != SLIP and off > SAME)):
        broken.append("replaced")
    return broken


def update(folder: Path, date: str, before: Callable[[], None] = lambda: None) -> Running:
    """Start a night in a folder."""
    return start(["update", SETTINGS, "--date", date, "--json"], folder, LIMITS, before)


def volume_of(revision: Path) -> float:
    """Return the basin's volume of a revision, in m3."""
    with (revision / "totals.csv").open(encoding="utf-8") as file:
        return next(float(row["volume_m3"]) for row in csv.DictReader(file) if row["level"] == "basin")


def revisions(home: Home, folder: Path, date: str) -> list[Path]:
    """Return the revisions of a date, oldest first."""
    return sorted((folder / "archive" / home.basin_id / date).glob("r*/record.json"))


def current(home: Home, folder: Path, date: str) -> int | None:
    """Return which revision readers get."""
    try:
        return json.loads((folder / "archive" / home.basin_id / date / "current.json").read_text("utf-8"))["revision"]
    except (OSError, ValueError, KeyError):
        return None


class Attempt:
    """A loss being tried in one scenario, in a folder of its own."""

    def __init__(self, home: Home, loss: Loss, scenario: str, place: Path) -> None:
        self.home, self.loss, self.scenario = home, loss, scenario
        self.date = home.next_date if scenario == NEXT else home.date
        self.folder = place / f"{loss.name}-{scenario}"
        shutil.copytree(home.folder, self.folder, ignore=shutil.ignore_patterns("made_before", "volumes.json"))
        if scenario == FRESH:
            shutil.rmtree(self.folder / "archive" / home.basin_id)
        self.before = current(home, self.folder, self.date), len(revisions(home, self.folder, self.date))
        loss.damage(self.folder)
        made_before = home.folder / "made_before"
        self.running = update(self.folder, self.date, lambda: estimate_once(made_before))

    def ended(self) -> bool:
        """Return whether its night has ended."""
        return self.running.ended()

    def night(self) -> Night:
        """Return what it left behind, and take its folder away."""
        ran = self.running.result()
        held = revisions(self.home, self.folder, self.date)
        newest = held[-1].parent if len(held) > self.before[1] else None
        degraded, off = [], None
        if newest is not None:
            record = json.loads((newest / "record.json").read_text("utf-8"))
            degraded = record["degraded_reasons"] or ([""] if record["degraded"] else [])
            off = 100 * (volume_of(newest) / self.home.good[self.date] - 1)
        replaced = self.before[0] is not None and current(self.home, self.folder, self.date) != self.before[0]
        shutil.rmtree(self.folder)
        return Night(self.scenario, ran, degraded, off, replaced)


def estimate_once(folder: Path) -> None:
    """Let `update` take the estimate of equal inputs from a folder: a loss is tried in several scenarios, on the same inputs.

    Only the science between reading and publishing is spared; what is read, checked, judged and published is as always.
    """
    from snowtally.operations import run  # noqa: PLC0415

    true_estimate = run.estimate_day

    def estimate_day(*given: object) -> object:
        path = folder / hashlib.sha256(repr(plain(given)).encode()).hexdigest()
        if path.exists():
            return pickle.loads(path.read_bytes())  # noqa: S301  our own
        day = true_estimate(*given)
        beside = path.with_suffix(f".{id(day)}")
        beside.write_bytes(pickle.dumps(day))
        beside.replace(path)
        return day

    run.estimate_day = estimate_day


def plain(value: object) -> object:
    """Return values that are the same for the same inputs, whatever was worked out of them meanwhile."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return [type(value).__name__, *((f.name, plain(getattr(value, f.name))) for f in dataclasses.fields(value))]
    if isinstance(value, dict):
        return [(plain(key), plain(one)) for key, one in value.items()]
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if value is None or isinstance(value, str | int | float | bool):
        return value
    return hashlib.sha256(pickle.dumps(value)).hexdigest()
