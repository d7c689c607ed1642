"""The schedule that needs no other service: it waits for the next night, starts the nightly flow in a process, and waits again.

Prefect is loaded in that process alone, so that nothing of it stays in memory by day, and a night that it cannot start is run
without it.
"""

from __future__ import annotations

import datetime as dt
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from flows.quiet import answers
from pipeline.operations.arrival import Clock
from pipeline.operations.due import last_start, missed_dates, next_start
from pipeline.operations.joblog import JobLog, operations_folder
from pipeline.operations.night import NightResult
from pipeline.operations.nights import night_of, run_once
from pipeline.operations_settings import time_of_day
from pipeline.problems import SnowtallyError
from pipeline.run_id import new_run_id
from pipeline.settings import Settings, read_settings

LOOK_S = 60.0
"""The clock is looked at so often, s: a machine that slept wakes within a minute of it."""

StartNight = Callable[[list[str], dt.datetime, str], list[NightResult]]
"""Runs the night of some basins as of an instant, under a run id, and returns the results."""


@dataclass(frozen=True)
class Served:
    """One basin of the schedule: its settings file, and the hour of its standard time."""

    file: str
    settings: Settings
    at: dt.time


def served(settings_files: list[Path], at: str | None) -> list[Served]:
    """Return the basins of a schedule; `at` is an hour and minute for all, None leaves it to each one's settings.

    Raises
    ------
    SettingsError : settings cannot be used: better told at the start than at night.
    """
    basins = []
    for file in settings_files:
        settings = read_settings(file)
        basins.append(Served(str(file.resolve()), settings, time_of_day(at or settings.operations.schedule.at)))
    return basins


def serve(
    basins: list[Served], start: StartNight, clock: Clock, told: Callable[[str], None], until: float = float("inf")
) -> None:
    """Run every basin's nights at their hours until the clock passes `until` (seconds since 1970).

    At the start what was missed while nothing was running is made up for. Settings are read again for each night.
    """
    now = _instant(clock)
    late = [one for one in basins if missed_dates(one.settings, last_start(one.settings, one.at, now))]
    if late:
        told(f"making up for missed nights of {', '.join(one.settings.basin.id for one in late)}")
        for one in late:
            _run([one], start, last_start(one.settings, one.at, now), told)
    since = now
    while True:
        starts = {one.file: next_start(one.settings, one.at, since) for one in basins}
        due = min(starts.values())
        if due.timestamp() > until:
            return
        told(f"next night at {due:%Y-%m-%d %H:%MZ}")
        while (now := _instant(clock)) < due:
            clock.sleep(min(LOOK_S, (due - now).total_seconds()))
        _run([one for one in basins if starts[one.file] == due], start, due, told)
        # Starts that were slept through are one night: it makes up for those before.
        since = max(due, _instant(clock) - dt.timedelta(days=1))


def _run(basins: list[Served], start: StartNight, instant: dt.datetime, told: Callable[[str], None]) -> None:
    run_id = new_run_id()
    told(f"run {run_id}: {', '.join(one.settings.basin.id for one in basins)}")
    for one in start([one.file for one in basins], instant, run_id):
        told(
            f"run {run_id}: {one.basin or one.settings} {one.date} {one.state}{': ' if one.message else ''}{one.message}"
        )


def _instant(clock: Clock) -> dt.datetime:
    return dt.datetime.fromtimestamp(clock.now(), dt.UTC)


def start_flow(settings_files: list[str], instant: dt.datetime, run_id: str) -> list[NightResult]:
    """Run the nightly flow in a process of its own and return its results; where it gives none, run the night without it."""
    log = JobLog(_archive(settings_files), run_id)
    # For this night only: tomorrow the server may be up again.
    surroundings = {"PREFECT_HOME": str(operations_folder(_archive(settings_files)) / "prefect"), **os.environ}
    if surroundings.get("PREFECT_API_URL") and not answers(surroundings["PREFECT_API_URL"]):
        del surroundings["PREFECT_API_URL"]
        with suppress(SnowtallyError):
            log.write(
                "engine", state="failed", message="the server does not answer: the night is run on the embedded one"
            )
    words = json.dumps({"settings_files": settings_files, "now": instant.isoformat(), "run_id": run_id})
    process = subprocess.Popen(  # noqa: S603  this program itself
        [sys.executable, "-m", "flows.nightly", words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        env=surroundings,
        # The embedded server is in its group, so that nothing of it is left whatever becomes of the flow.
        start_new_session=True,
    )
    try:
        out, err = process.communicate()
    finally:
        with suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    try:
        return [NightResult(**one) for one in json.loads(out.strip().splitlines()[-1])["results"]]
    except (IndexError, ValueError, KeyError, TypeError):
        last = err.strip().splitlines()[-1:] or [f"status {process.returncode}"]
        message = f"the flow gave no result ({last[0]}): the night is run without Prefect"
        with suppress(SnowtallyError):
            log.write("engine", state="failed", message=message)
        return night_of(settings_files, instant, run_id, run_once)


def _archive(settings_files: list[str]) -> Path:
    """Return the first basin's archive: log and database of runs that concern several lie there."""
    settings = read_settings(settings_files[0])
    return settings.archive_root


def stop_on_signal() -> None:
    """End the schedule on SIGTERM as on Ctrl-C: with what it started, and nothing half published."""

    def stop(_number: int, _frame: object) -> NoReturn:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
