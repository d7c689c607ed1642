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
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from flows.quiet import answers
from pipeline.model.problems import SettingsError, SnowtallyError, one_line
from pipeline.operations.arrival import Clock
from pipeline.operations.child_process import STOP_S
from pipeline.operations.due import last_start, missed_dates, next_start
from pipeline.operations.joblog import JobLog, operations_folder
from pipeline.operations.night import NightResult
from pipeline.operations.nights import night_of, run_patiently
from pipeline.operations.notes import forget
from pipeline.operations.run_id import new_run_id
from pipeline.settings.basin import Settings, read_settings
from pipeline.settings.operations import time_of_day

LOOK_S = 60.0
"""The clock is looked at so often, s: a machine that slept wakes within a minute of it."""

StartNight = Callable[[list[str], dt.datetime, str], list[NightResult]]
"""Runs the night of some basins as of an instant, under a run id, and returns the results."""


@dataclass(frozen=True)
class Served:
    """One basin of the schedule.

    Parameters
    ----------
    file : its settings file.
    settings : as last read; None where they could not be used yet.
    everyones : hour of the basin's standard time that was given for all, None where each one's settings name it.
    """

    file: str
    settings: Settings | None
    everyones: dt.time | None

    @property
    def name(self) -> str:
        """The basin's id, or the settings file where these could not be used."""
        return self.file if self.settings is None else self.settings.basin.id

    @property
    def at(self) -> dt.time:
        """Hour of the basin's standard time."""
        return self.everyones or time_of_day(self.settings.operations.schedule.at)


def served(settings_files: list[Path], at: str | None) -> list[Served]:
    """Return the basins of a schedule; `at` is an hour and minute for all, None leaves it to each one's settings.

    One whose settings cannot be used is served from the night on at which they can: after a machine's restart it must not keep the
    others waiting.

    Raises
    ------
    SettingsError : no settings can be used.
    ValueError : `at` is no hour and minute.
    """
    everyones = None if at is None else time_of_day(at)
    basins, trouble = [], None
    for file in settings_files:
        try:
            settings = read_settings(file)
        except SettingsError as unusable:
            settings, trouble = None, unusable
        basins.append(Served(str(file.resolve()), settings, everyones))
    if trouble is not None and all(one.settings is None for one in basins):
        raise trouble
    return basins


def serve(
    basins: list[Served], start: StartNight, clock: Clock, told: Callable[[str], None], until: float = float("inf")
) -> None:
    """Run every basin's nights at their hours until the clock passes `until` (seconds since 1970).

    At the start what was missed while nothing was running is made up for. Settings are read again for each night, and what is
    wrong with one basin's is told and keeps no other from its night.
    """
    basins, since = _read_again(basins, told), _instant(clock)
    late = [one for one in basins if one.settings is not None and _owes(one, since)]
    if late:
        told(f"making up for missed nights of {', '.join(one.name for one in late)}")
        for one in late:
            _run([one], start, last_start(one.settings, one.at, since), told)
    while True:
        due = min(next_start(one.settings, one.at, since) for one in basins if one.settings is not None)
        if due.timestamp() > until:
            return
        told(f"next night at {due:%Y-%m-%d %H:%MZ}")
        while (now := _instant(clock)) < due:
            clock.sleep(min(LOOK_S, (due - now).total_seconds()))
        basins = _read_again(basins, told)
        having = [one for one in basins if one.settings and next_start(one.settings, one.at, since) <= due]
        # Empty where the hour was put off meanwhile.
        if having:
            _run(having, start, due, told)
        # Starts that were slept through are one night: it makes up for those before.
        since = max(due, _instant(clock) - dt.timedelta(days=1))


def _read_again(basins: list[Served], told: Callable[[str], None]) -> list[Served]:
    """Return the basins with their settings as they are now; where these cannot be used, with those read before, and tell it."""
    again = []
    for one in basins:
        try:
            again.append(replace(one, settings=read_settings(one.file)))
        except (SnowtallyError, OSError) as trouble:
            told(f"{one.name}: {one_line(trouble)}")
            again.append(one)
    return again


def _owes(one: Served, now: dt.datetime) -> bool:
    """Return whether nights of a basin were missed; one whose archive cannot be looked at has its night, which tells why."""
    try:
        return bool(missed_dates(one.settings, last_start(one.settings, one.at, now)))
    except (SnowtallyError, OSError):
        return True


def _run(basins: list[Served], start: StartNight, instant: dt.datetime, told: Callable[[str], None]) -> None:
    run_id = new_run_id()
    told(f"run {run_id}: {', '.join(one.name for one in basins)}")
    try:
        results = start([one.file for one in basins], instant, run_id)
    except Exception as trouble:  # noqa: BLE001  the next night may do better, and what was missed is made up for
        told(f"run {run_id}: failed: {one_line(trouble)}")
        return
    for one in results:
        told(
            f"run {run_id}: {one.basin or one.settings} {one.date} {one.state}{': ' if one.message else ''}{one.message}"
        )


def _instant(clock: Clock) -> dt.datetime:
    return dt.datetime.fromtimestamp(clock.now(), dt.UTC)


def start_flow(settings_files: list[str], instant: dt.datetime, run_id: str) -> list[NightResult]:
    """Run the nightly flow in a process of its own and return its results; where it gives none, run the night without it."""
    readable = _readable(settings_files)
    if not readable:
        # Nothing to keep the engine's database beside, and nothing that it could do: the results tell why.
        return night_of(settings_files, instant, run_id, run_patiently)
    # Log and database of a run that concerns several basins lie in the first one's archive.
    archive = readable[0].archive_root
    log = JobLog(archive, run_id)
    # For this night only: tomorrow the server may be up again.
    surroundings = {"PREFECT_HOME": str(operations_folder(archive) / "prefect"), **os.environ}
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
        out, err = _said(process, readable)
    except KeyboardInterrupt:
        _stop(process, readable, run_id)
        raise
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
        return night_of(settings_files, instant, run_id, run_patiently)


def _stop(process: subprocess.Popen, basins: list[Settings], run_id: str) -> None:
    """Stop the flow's process, which stops its night, and take its notes away: what a person stops has not crashed."""
    process.terminate()
    with suppress(subprocess.TimeoutExpired):
        process.wait(STOP_S + LEAVE_S)
    for one in basins:
        with suppress(SnowtallyError, OSError):
            forget(one.archive_root, run_id)
            JobLog(one.archive_root, run_id).write(
                "stopped", basin=one.basin.id, message="the schedule was stopped in the middle of a night"
            )


LEAVE_S = 5.0
"""The engine needs no longer to end once its night has ended, s (chosen; the rest is killed)."""

ENGINE_S = 600.0
"""The engine's own work, its start, its database and its end, takes no longer without a line in a log, s: a cold start took 17 s."""


def _said(process: subprocess.Popen, basins: list[Settings]) -> tuple[str, str]:
    """Return what the flow's process wrote, once it has ended or has hung.

    How long a night of many dates takes cannot be told beforehand, but each of its dates writes into a log, and none can be silent
    for longer than its process may live and its next try is waited for: a flow that is silent for longer hangs in the engine.
    """
    logs = [operations_folder(one.archive_root) / "log.jsonl" for one in basins]
    patience_s = (
        max(one.operations.longest_s + max(one.operations.retry.waits_s, default=0.0) for one in basins) + ENGINE_S
    )
    sizes, heard = [], time.monotonic()
    while True:
        try:
            return process.communicate(timeout=LOOK_S)
        except subprocess.TimeoutExpired:
            now = [_size(path) for path in logs]
            if now != sizes:
                sizes, heard = now, time.monotonic()
            elif time.monotonic() - heard > patience_s:
                return "", f"it did nothing for {patience_s:g} s and was stopped"


def _size(path: Path) -> int:
    """Return a file's size, bytes; 0 where it is not there or cannot be looked at."""
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _readable(settings_files: list[str]) -> list[Settings]:
    """Return the settings of those basins whose settings can be used."""
    readable = []
    for file in settings_files:
        with suppress(SnowtallyError, OSError):
            readable.append(read_settings(file))
    return readable
