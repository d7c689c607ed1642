"""Ways to lose or damage an input of the demo basin, each after a sound night: `python tests/input_losses [NAMES...]`.

Prints a row a loss and scenario, and what breaks a bar; ends with status 1 where one is broken. NAMES are losses or the
beginnings of their names (`stations`, `cover-cut`). A new archive is asked only of losses that the file itself shows. `--next`
also tries the next date beside the sound night. Without names it takes some 40 minutes of CPU.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "made"))

import raster_losses  # noqa: F401  notes its losses
import table_losses  # noqa: F401
import yaml
from forked_command import warm_up
from loss_trial import AGAIN, FRESH, MOST_OFF, NEXT, Attempt, Home, Night, breaches, revisions, update, volume_of
from losses import FILE, LOSSES, SETTINGS, Loss

ROOT = Path(__file__).parents[2]
DATE, NEXT_DATE = "2031-04-14", "2031-04-15"
"""Both flights, the cover of four days before, a survey two weeks old and ten stations bear on it."""

CELL_M = 200
"""Twice the demo's: a night takes a third of the time, and its volume is within 1 % of the demo's."""

OVERRIDES = """site_id,start,end,variable,action,value,who,when,why
LS09,2031-03-20,,swe_mm,set aside,,Hydrology desk,2031-03-25,scale leans since the storm
LS10,2031-03-10,,,off,,Hydrology desk,2031-03-12,moved for works
"""


def write_home(folder: Path) -> None:
    """Copy the demo's files into one folder, with a table of overrides, and settings that name them there."""
    for path in (ROOT / "sample_inputs" / "larkmoor").iterdir():
        if path.suffix in (".csv", ".tif", ".geojson"):
            shutil.copy(path, folder)
    (folder / "overrides.csv").write_text(OVERRIDES, "utf-8")
    content = yaml.safe_load((ROOT / "configs" / "larkmoor.yaml").read_text("utf-8"))
    content["basin"]["zones"] = Path(content["basin"]["zones"]).name
    for group in ("terrain", "inputs"):
        content[group] = {key: Path(path).name for key, path in content[group].items()}
    content["inputs"]["overrides"] = "overrides.csv"
    content["grid"]["cell_m"] = CELL_M
    content["archive"] = "archive"
    (folder / SETTINGS).write_text(yaml.safe_dump(content, sort_keys=False), "utf-8")


def sound_home(folder: Path, *, next_too: bool) -> Home:
    """Return the good files with their sound nights, made where they are not there; the next date's only to know its volume."""
    noted = folder / "volumes.json"
    if not noted.exists():
        folder.mkdir()
        write_home(folder)
    warm_up("check", str(folder / SETTINGS), "--date", DATE)
    good = json.loads(noted.read_text("utf-8")) if noted.exists() else {}
    home = Home(folder, "larkmoor", DATE, NEXT_DATE, good)
    for date in [NEXT_DATE, DATE] if next_too else [DATE]:
        if date in good:
            continue
        archive = folder / "archive" / "larkmoor"
        shutil.rmtree(archive, ignore_errors=True)
        running = update(folder, date)
        while not running.ended():
            time.sleep(0.1)
        if running.result().status != 0:
            raise SystemExit(f"the good night of {date} failed: {running.result().stderr or running.result().stdout}")
        good[date] = volume_of(revisions(home, folder, date)[-1].parent)
    noted.write_text(json.dumps(good), "utf-8")
    (folder / "made_before").mkdir(exist_ok=True)
    return home


def row(loss: Loss, night: Night) -> str:
    """Return a row of the table."""
    off = "" if night.off is None else f"{night.off:+.1f}"
    cells = [
        loss.name,
        loss.told_by,
        night.scenario,
        str(night.ran.status),
        "degraded" if night.degraded else "",
        off,
        "replaced" if night.replaced else "",
        f"{night.ran.cpu_s:.0f}",
        ", ".join(breaches(loss, night)),
        night.message[:160].replace("|", "/"),
    ]
    return "| " + " | ".join(cells) + " |"


def main() -> int:
    """Run the trial; exit status 1 where a bar is broken."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="losses, or the beginnings of their names")
    parser.add_argument("--brief", action="store_true", help="print the nights alone that break a bar")
    parser.add_argument("--next", action="store_true", help="also try the next date beside the sound night")
    parser.add_argument(
        "--home",
        type=Path,
        help="keep the good files and their sound nights in this folder, for later runs of the same code",
    )
    parser.add_argument("--workers", type=int, default=2, help="nights at once")
    asked = parser.parse_args()
    chosen = [loss for name, loss in LOSSES.items() if not asked.names or name.startswith(tuple(asked.names))]
    scenarios = [AGAIN, FRESH, *([NEXT] if asked.next else [])]
    print(
        "| loss | told by | night | exit | | volume off % | current | CPU s | breaks | said |\n" + "| --- " * 10 + "|"
    )
    done: list[tuple[Loss, Night]] = []
    with tempfile.TemporaryDirectory(prefix="input-losses-") as place:
        home = sound_home(asked.home or Path(place) / "home", next_too=asked.next)
        waiting = [(loss, s) for loss in chosen for s in scenarios if s != FRESH or loss.told_by == FILE]
        running: list[Attempt] = []
        while waiting or running:
            for attempt in [one for one in running if one.ended()]:
                running.remove(attempt)
                night = attempt.night()
                done.append((attempt.loss, night))
                if not asked.brief or breaches(attempt.loss, night):
                    print(row(attempt.loss, night), flush=True)
            at_work = {attempt.loss.name for attempt in running}
            # A loss's nights one after the other: the second finds the first one's estimate.
            free = [pair for pair in waiting if pair[0].name not in at_work]
            if free and len(running) < asked.workers:
                waiting.remove(free[0])
                running.append(Attempt(home, *free[0], Path(place)))
            else:
                time.sleep(0.05)
    return summary(chosen, done)


def summary(chosen: list[Loss], done: list[tuple[Loss, Night]]) -> int:
    """Print how many losses break which bar, and return the exit status."""
    broken = Counter((kind, loss.name) for loss, night in done for kind in dict.fromkeys(breaches(loss, night)))
    kinds = Counter(kind for kind, _ in broken)
    print(f"\n{len(chosen)} losses, {len(done)} nights, {sum(night.ran.cpu_s for _, night in done):.0f} s of CPU.")
    print(f"Exit 0 and over {MOST_OFF:g} % off without a degrading finding: {kinds.pop('silent', 0)}.")
    print(f"A sound revision replaced: {kinds.pop('replaced', 0)}.")
    print(f"Tracebacks and falls: {kinds.pop('traceback', 0)}. Others: {dict(kinds) or 'none'}.")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
