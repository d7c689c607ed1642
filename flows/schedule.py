"""The clock that needs no other service: it waits for the next night, starts the nightly flow in a process, and waits again.

Prefect keeps time only on a server that runs day and night, and a server that fails takes its nights with it. Here Prefect is
loaded in a night's process alone: nothing of it stays in memory by day, and a night that it cannot start is run without it.
Retries, task states and summaries are Prefect's; without it each date has one try, and the next start makes up for it.
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

from snowtally.flows.quiet import answers
from snowtally.model.problems import SettingsError, SnowtallyError, one_line
from snowtally.operations.arrival import Clock
from snowtally.operations.child_process import STOP_S
from snowtally.operations.due import last_start, missed_dates, next_start
from snowtally.operations.joblog import JobLog, operations_folder
from snowtally.operations.night import NightResult
from snowtally.operations.nights import night_of, run_once
from snowtally.operations.notes import forget
from snowtally.operations.run_id import new_run_id
from snowtally.settings.basin import Settings, read_settings
from snowtally.settings.operations import time_of_day

LOOK_S = 60.0
"""The clock is looked at so often, s (chosen): a machine that slept wakes within a minute of it."""

LEAVE_S = 5.0
"""The engine needs no longer to end once its night has ended, s (chosen; the rest is killed)."""

ENGINE_S = 600.0
"""The engine's own work, its start, its database and its end, takes no longer without a line in a log, s (chosen: a cold start
took 17 s)."""

StartNight = Callable[[list[str], dt.datetime, str], list[NightResult]]
"""Runs the night of some basins as of an instant, under a run id, and returns the results."""


@dataclass(frozen=True)
class Served:
    """One basin of the schedule.

    Parameters
    ----------
    file : its settings file.
    settings : as last read; None where they could not be used yet. Such a basin has no nights.
    everyones : hour of the basin's standard time that was given for all, None where each one's settings name it.
    """

    file: str
    settings: Settings | None
    everyones: dt.time | None

    @property
    def name(self) -> str:
        """The basin's id, or the settings file without usable settings."""
        return self.file if self.settings is None else self.settings.basin.id

    @property
    def at(self) -> dt.time | None:
        """Hour of the basin's standard time."""
        if self.everyones or self.settings is None:
            return self.everyones
        return time_of_day(self.settings.operations.schedule.at)

    def next_start(self, after: dt.datetime) -> dt.datetime | None:
        """Return the instant of its next night, None where it has none."""
        return None if self.settings is None or self.at is None else next_start(self.settings, self.at, after)

    def missed_start(self, now: dt.datetime) -> dt.datetime | None:
        """Return the instant of its last night where dates are missing."""
        if self.settings is None or self.at is None:
            return None
        last = last_start(self.settings, self.at, now)
        try:
            missed = bool(missed_dates(self.settings, last))
        except (SnowtallyError, OSError):
            # An archive that cannot be looked at: the night's result says why.
            missed = True
        return last if missed else None


def served(settings_files: list[Path], at: str | None) -> list[Served]:
    """Return the basins of a schedule.

    One whose settings cannot be used is served from the night on at which they can: after a machine's restart it must not keep the
    others waiting.

    Parameters
    ----------
    at : an hour and minute for all; None leaves it to each one's settings.

    Raises
    ------
    SettingsError : no settings can be used.
    ValueError : `at` is no hour and minute.
    """
    everyones = None if at is None else time_of_day(at)
    basins, trouble = [], None
    for file in settings_files:
        settings = None
        try:
            settings = read_settings(file)
        except SettingsError as unusable:
            trouble = unusable
        basins.append(Served(str(file.resolve()), settings, everyones))
    if trouble is not None and all(one.settings is None for one in basins):
        raise trouble
    return basins


def serve(
    basins: list[Served], start: StartNight, clock: Clock, write: Callable[[str], None], until: float = float("inf")
) -> None:
    """Run every basin's nights at their hours.

    At the start what was missed while nothing was running is made up for. Settings are read again for each night, and what is
    wrong with one basin's is reported and keeps no other from its night.

    Parameters
    ----------
    write : gets each line about what happens.
    until : the schedule ends when the clock passes this, seconds since 1970.
    """
    basins, since = _read_again(basins, write), _instant(clock)
    late = [(one, missed) for one in basins if (missed := one.missed_start(since))]
    if late:
        write(f"making up for missed nights of {', '.join(one.name for one, _ in late)}")
        for one, missed in late:
            _run([one], start, missed, write)
    while True:
        due = min(at for one in basins if (at := one.next_start(since)))
        if due.timestamp() > until:
            return
        write(f"next night at {due:%Y-%m-%d %H:%MZ}")
        while (now := _instant(clock)) < due:
            clock.sleep(min(LOOK_S, (due - now).total_seconds()))
        basins = _read_again(basins, write)
        having = [one for one in basins if (at := one.next_start(since)) and at <= due]
        # Empty where the hour was put off meanwhile.
        if having:
            _run(having, start, due, write)
        # Starts that were slept through are one night: it makes up for those before.
        since = max(due, _instant(clock) - dt.timedelta(days=1))


def _read_again(basins: list[Served], write: Callable[[str], None]) -> list[Served]:
    """Return the basins with their settings as they are now.

    Where these cannot be used, those read before stay, and a line says so.
    """
    again = []
    for one in basins:
        try:
            again.append(replace(one, settings=read_settings(one.file)))
        except (SnowtallyError, OSError) as trouble:
            write(f"{one.name}: {one_line(trouble)}")
            again.append(one)
    return again


def _run(basins: list[Served], start: StartNight, instant: dt.datetime, write: Callable[[str], None]) -> None:
    run_id = new_run_id()
    write(f"run {run_id}: {', '.join(one.name for one in basins)}")
    try:
        results = start([one.file for one in basins], instant, run_id)
    except Exception as trouble:  # noqa: BLE001  the next night may do better, and what was missed is made up for
        write(f"run {run_id}: failed: {one_line(trouble)}")
        return
    for one in results:
        write(
            f"run {run_id}: {one.basin or one.settings} {one.date} {one.state}{': ' if one.message else ''}{one.message}"
        )


def _instant(clock: Clock) -> dt.datetime:
    return dt.datetime.fromtimestamp(clock.now(), dt.UTC)


def start_flow(settings_files: list[str], instant: dt.datetime, run_id: str) -> list[NightResult]:
    """Run the nightly flow in its own process and return its results.

    Where it gives none, the night is run without it.
    """
    readable = _readable(settings_files)
    if not readable:
        # Nothing to keep the engine's database beside, and nothing that it could do: the results tell why.
        return night_of(settings_files, instant, run_id, run_once)
    # Log and database of a run that concerns several basins lie in the first one's archive.
    archive = readable[0].archive_root
    log = JobLog(archive, run_id)
    # For this night only: tomorrow the server may be up again.
    environment = {"PREFECT_HOME": str(operations_folder(archive) / "prefect"), **os.environ}
    if environment.get("PREFECT_API_URL") and not answers(environment["PREFECT_API_URL"]):
        del environment["PREFECT_API_URL"]
        with suppress(SnowtallyError):
            log.write(
                "engine", state="failed", message="the server does not answer: the night is run on the embedded one"
            )
    words = json.dumps({"settings_files": settings_files, "now": instant.isoformat(), "run_id": run_id})
    process = subprocess.Popen(  # noqa: S603  this program itself
        [sys.executable, "-m", "snowtally.flows.nightly", words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        errors="replace",
        env=environment,
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
        return [NightResult.from_plain(one) for one in json.loads(out.strip().splitlines()[-1])["results"]]
    except (IndexError, ValueError, KeyError, TypeError):
        last = err.strip().splitlines()[-1:] or [f"status {process.returncode}"]
        message = f"the flow gave no result ({last[0]}): the night is run without Prefect"
        with suppress(SnowtallyError):
            log.write("engine", state="failed", message=message)
        return night_of(settings_files, instant, run_id, run_once)


def _stop(process: subprocess.Popen, basins: list[Settings], run_id: str) -> None:
    """Stop the flow's process, which stops its night, and remove its notes.

    What a person stops has not crashed.
    """
    process.terminate()
    with suppress(subprocess.TimeoutExpired):
        process.wait(STOP_S + LEAVE_S)
    for one in basins:
        with suppress(SnowtallyError, OSError):
            forget(one.archive_root, run_id)
            JobLog(one.archive_root, run_id).write(
                "stopped", basin=one.basin.id, message="the schedule was stopped in the middle of a night"
            )


def _said(process: subprocess.Popen, basins: list[Settings]) -> tuple[str, str]:
    """Return what the flow's process wrote, once it ended or hung.

    How long a night of many dates takes is not known beforehand, but each of its dates writes into a log, and none can be silent
    for longer than its process may live and its next try is waited for: a flow that is silent for longer hangs in the engine.
    """
    logs = [operations_folder(one.archive_root) / "log.jsonl" for one in basins]
    patience_s = (
        max(one.operations.longest_s + max(one.operations.retry.waits_s, default=0.0) for one in basins) + ENGINE_S
    )
    sizes: list[int] = []
    changed = time.monotonic()
    while True:
        try:
            return process.communicate(timeout=LOOK_S)
        except subprocess.TimeoutExpired:
            now = [_size(path) for path in logs]
            if now != sizes:
                sizes, changed = now, time.monotonic()
            elif time.monotonic() - changed > patience_s:
                return "", f"it did nothing for {patience_s:g} s and was stopped"


def _size(path: Path) -> int:
    """Return a file's size, bytes; 0 where it cannot be read."""
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
