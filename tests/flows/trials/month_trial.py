"""A month of nights in fast time: inputs late, twice, broken, half-copied; schedules killed at random; two of them by mistake.

    python tests/flows/trials/month_trial.py [DAYS KILLS SEED]        default 30 20 1

Two schedules serve the same basin, each a process with a clock that this trial sets; the estimates are real. At the end every
night must be held, each revision of a date must come from other inputs than the one before it, the newest revision must
be what the inputs there are now give (made again from nothing, byte by byte), and `status` and `verify` must say so. Ends with
status 1 where one of these does not hold.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

ROOT = Path(__file__).parents[3]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "made")]

import pandas as pd  # noqa: E402  this project, wherever it is run from
from made_basin import DENSITY, depth_of, write_basin  # noqa: E402

from snowtally.flows.schedule import serve, served  # noqa: E402
from snowtally.inspection.status import status  # noqa: E402
from snowtally.inspection.verify import verify  # noqa: E402
from snowtally.operations.arrival import Clock  # noqa: E402
from snowtally.operations.late import changed_dates  # noqa: E402
from snowtally.operations.night import Job, run_night  # noqa: E402
from snowtally.operations.nights import night_of, run_once  # noqa: E402
from snowtally.reading import dates_held, load_record, revisions  # noqa: E402
from snowtally.settings.basin import read_settings  # noqa: E402

FIRST = dt.date(2031, 3, 1)
OPERATIONS = (
    "operations: {schedule: {watch_days: 12, catch_up_days: 31, rerun_late: true}, arrival: {quiet_s: 0.3, wait_s: 0.5}, "
    "limits: {night_s: 120}}\n"
)


def instant(day: int, hour: int, minute: int = 0) -> dt.datetime:
    """Return an instant of the month's day, counted from 0, by UTC."""
    return dt.datetime.combine(FIRST, dt.time(hour, minute), dt.UTC) + dt.timedelta(days=day)


class World:
    """The basin's files as they come in, day by day."""

    def __init__(self, home: Path, days: int, chance: random.Random) -> None:
        self.home, self.days, self.chance = home, days, chance
        write_basin(home)
        with (home / "basin.yaml").open("a") as file:
            file.write(OPERATIONS)
        self.depth = (home / "depth.tif").read_bytes()
        sites = pd.read_csv(home / "sites.csv")
        self.stations = sites[sites["kind"] == "station"]
        self.held_back: list[tuple[int, str]] = []
        (home / "stations.csv").write_text("site_id,time,swe_mm,depth_cm\n")
        (home / "flights.csv").write_text("flight_id,date,depth\n")
        (home / "depth.tif").unlink()

    def bring(self, day: int) -> None:
        """Bring what comes in after a day: most of it in time, some late, some twice, some broken."""
        lines = [line for due, line in self.held_back if due == day]
        for site in self.stations.itertuples():
            depth = float(depth_of(site.elevation_m))
            line = (
                f"{site.site_id},{FIRST + dt.timedelta(days=day)},{DENSITY * depth + 4.0 * day:.1f},{100 * depth:.1f}\n"
            )
            fate = self.chance.random()
            if fate < 0.15:
                self.held_back.append((min(day + self.chance.randint(1, 4), self.days), line))
            else:
                lines += [line] * (2 if fate < 0.25 else 1)
        if self.chance.random() < 0.2:
            lines.append(f"S1,{FIRST + dt.timedelta(days=day)},not a number\n")
        with (self.home / "stations.csv").open("a") as table:
            table.writelines(lines)
        if day % 8 == 3:
            with (self.home / "flights.csv").open("a") as table:
                table.write(f"F{day},{FIRST + dt.timedelta(days=day)},flight{day}.tif\n")
            # Half of it: the rest comes a day later.
            (self.home / f"flight{day}.tif").write_bytes(self.depth[: len(self.depth) // 2])
        if day % 8 == 4 and day > 3:
            (self.home / f"flight{day - 1}.tif").write_bytes(self.depth)
        if day % 8 == 6:
            (self.home / "courses.csv").rename(self.home / "courses.away")
        if day % 8 == 7 and (self.home / "courses.away").exists():
            (self.home / "courses.away").rename(self.home / "courses.csv")

    def settle(self) -> None:
        """Bring what is still missing."""
        with (self.home / "stations.csv").open("a") as table:
            table.writelines(line for due, line in self.held_back if due >= self.days)
        if (self.home / "courses.away").exists():
            (self.home / "courses.away").rename(self.home / "courses.csv")
        for path in self.home.glob("flight*.tif"):
            path.write_bytes(self.depth)


def worker(home: Path, name: str) -> None:
    """Serve the basin by the trial's clock; what it is waiting for stands in a file."""
    clock_file, waiting = home / "clock", home / f"waiting.{name}"

    def now() -> float:
        return float(clock_file.read_text())

    def told(line: str) -> None:
        if line.startswith("next night at"):
            waiting.write_text(line.split()[3] + "T" + line.split()[4])

    def start(files, at, run_id):
        return night_of(files, at, run_id, run_once)

    clock = Clock(now, lambda _seconds: time.sleep(0.05))
    serve(served([home / "basin.yaml"], "05:30"), start, clock, told)


class Schedules:
    """Two schedules on one basin, as processes that can be killed."""

    def __init__(self, home: Path) -> None:
        self.home, self.processes = home, {}

    def start(self, name: str) -> None:
        """Start a schedule."""
        (self.home / f"waiting.{name}").unlink(missing_ok=True)
        words = [sys.executable, __file__, "worker", str(self.home), name]
        with (self.home / f"{name}.err").open("a") as err:
            self.processes[name] = subprocess.Popen(words, stderr=err, start_new_session=True)

    def kill(self, name: str) -> None:
        """Kill a schedule with what it runs, as a machine's end does."""
        os.killpg(self.processes[name].pid, signal.SIGKILL)
        self.processes[name].wait()

    def wait(self, until: dt.datetime) -> None:
        """Wait until every schedule waits for a night after an instant."""
        patience = time.monotonic() + 900
        while True:
            told = {name: self.home / f"waiting.{name}" for name in self.processes}
            if all(path.exists() and path.read_text() > f"{until:%Y-%m-%dT%H:%MZ}" for path in told.values()):
                return
            for name, process in self.processes.items():
                if process.poll() is not None:
                    raise SystemExit(f"schedule {name} ended: {(self.home / f'{name}.err').read_text()[-2000:]}")
            if time.monotonic() > patience:
                raise SystemExit("a schedule is stuck")
            time.sleep(0.05)


def month(home: Path, days: int, kills: int, seed: int) -> bool:
    """Run the month in a folder, print what became of it, and return whether all held."""
    chance = random.Random(seed)  # noqa: S311  a trial's fates
    world, both = World(home, days, chance), Schedules(home)
    clock = home / "clock"

    def set_clock(at: dt.datetime) -> None:
        (home / "clock.new").write_text(str(at.timestamp()))
        (home / "clock.new").replace(clock)

    world.bring(0)
    set_clock(instant(1, 7))
    for name in "AB":
        both.start(name)
    fatal = sorted(chance.choices(range(1, days + 1), k=kills))
    begun = time.monotonic()
    for day in range(1, days + 1):
        both.wait(instant(day, 7))
        set_clock(instant(day, 7, 31))
        for _ in range(fatal.count(day)):
            time.sleep(chance.uniform(0, 6))
            name = chance.choice("AB")
            both.kill(name)
            both.start(name)
        both.wait(instant(day, 7, 31))
        if day < days:
            world.bring(day)
    world.settle()
    time.sleep(0.5)
    set_clock(instant(days + 1, 7, 31))
    both.wait(instant(days + 1, 7, 31))
    for name in "AB":
        both.kill(name)
    took = time.monotonic() - begun
    return told(home, days, kills, took)


def told(home: Path, days: int, kills: int, took: float) -> bool:
    """Print what the archive holds after the month, and return whether it is what it should be."""
    settings = read_settings(home / "basin.yaml")
    archive, last = settings.archive_root, FIRST + dt.timedelta(days=days - 1)
    wanted = [FIRST + dt.timedelta(days=n) for n in range(days)]
    held = [date for date in dates_held(archive, "made") if date <= last]
    hashes = {date: [_identity(one.path) for one in revisions(archive, "made", date)] for date in held}
    # Inputs that went and came back (the courses' table does) are again what the date is to be made from.
    twice = [date for date, found in hashes.items() if any(a == b for a, b in pairwise(found))]
    # The watch looks twelve days back: what came later than that is the analyst's.
    late = changed_dates(settings, last).late
    log = [json.loads(line) for line in (archive / ".operations" / "log.jsonl").read_text().splitlines()]
    crashes = [line for line in log if line["event"] == "crashed"]
    seen = status(archive, "made", last + dt.timedelta(days=2), settings.basin.season_start)
    trouble = verify(archive, "made", lambda _: None).troubles
    degraded = [load_record(one.path)["degraded"] for date in held for one in revisions(archive, "made", date)]
    fresh = home / "fresh.yaml"
    fresh.write_text((home / "basin.yaml").read_text().replace("archive: archive", "archive: again"))
    different = [date for date in wanted[-12:] if not same_as_fresh(fresh, archive, date)]
    facts = {
        "nights held of those there were": (len(held), days),
        "revisions, of them degraded": (sum(map(len, hashes.values())), sum(degraded)),
        "dates published twice in a row from the same inputs": len(twice),
        "dates whose inputs are others now": len(late),
        "last twelve dates whose bytes differ from a fresh archive's": len(different),
        "schedules killed, killed nights told": (kills, len(crashes)),
        "missing and failed in status": (
            len([d for d in seen.missing if d <= last]),
            len([d for d in seen.failed if d <= last]),
        ),
        "troubles in verify": len(trouble),
        "locks left": len(list((archive / ".locks").glob("*.json"))),
        "seconds": round(took),
    }
    for name, value in facts.items():
        print(f"{name}: {value if not isinstance(value, tuple) else ', '.join(map(str, value))}")
    for one in trouble:
        print(f"  {one.path}: {one.what}")
    return (
        held == wanted and not (twice or late or different or trouble) and not facts["missing and failed in status"][0]
    )


def _identity(folder: Path) -> tuple[str, str]:
    record = load_record(folder)
    # A checkout that is worked on while the trial runs is other code.
    return record["input_hash"], record["code"]["version"]


def same_as_fresh(settings_file: Path, archive: Path, date: dt.date) -> bool:
    """Return whether the newest revision of a date has the bytes that an archive without a past gives."""
    result = run_night(Job(str(settings_file), str(date), "again"))
    if not result.path:
        return False
    newest = revisions(archive, "made", date)[-1].path
    # Beside the times of making: checks.csv tells of lines that cannot be read at all, and so have no date, on every date.
    names = {path.name for path in newest.iterdir()} - {"record.json", "item.json", "checks.csv"}
    return all((newest / name).read_bytes() == (Path(result.path) / name).read_bytes() for name in names)


if __name__ == "__main__":
    if sys.argv[1:2] == ["worker"]:
        worker(Path(sys.argv[2]), sys.argv[3])
    else:
        days, kills, seed = (int(word) for word in (sys.argv[1:4] + ["30", "20", "1"][len(sys.argv) - 1 :]))
        folder = Path(tempfile.mkdtemp(prefix="snowtally-month-"))
        good = month(folder, days, kills, seed)
        if good:
            shutil.rmtree(folder)
        else:
            print(f"kept in {folder}")
        sys.exit(0 if good else 1)
