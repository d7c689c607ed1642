"""A night of several basins, one after the other: their order, and the reports. Whoever runs a single date is given."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from snowtally.model.problems import SnowtallyError
from snowtally.operations.child_process import run_apart
from snowtally.operations.due import due_dates
from snowtally.operations.late import changed_dates
from snowtally.operations.messages import (
    report_crash,
    report_damaged,
    report_late,
    report_left,
    report_night,
    report_put_off,
)
from snowtally.operations.night import Job, NightResult, State, is_passing
from snowtally.operations.notes import crashed_nights, noted
from snowtally.settings.basin import read_settings
from snowtally.storage.failure_log import failure_line

RunOne = Callable[[Job], NightResult]
"""Runs one date. Never raises."""


def night_of(settings_files: list[str], now: dt.datetime, run_id: str, run_one: RunOne) -> list[NightResult]:
    """Run the dates due of every basin and return all results.

    After them come the dates whose inputs changed. One basin's failure, foreseen or not, never keeps the next from being run.
    Each result is reported as soon as it is there.

    Parameters
    ----------
    now : the instant as of which dates are due, with time zone.
    """
    results: list[NightResult] = []
    for settings_file in settings_files:
        results += _reported(settings_file, run_id, _due(settings_file, now, run_id, run_one))
    return results


def watch(settings_file: str, until: dt.date, run_id: str, run_one: RunOne) -> list[NightResult]:
    """Report dates whose inputs changed; rerun them if the settings say so."""
    return list(_reported(settings_file, run_id, _late(settings_file, until, run_id, run_one)))


def _reported(settings_file: str, run_id: str, nights: Iterator[NightResult]) -> Iterator[NightResult]:
    """Yield a basin's results as they come, once reported.

    Whatever breaks them off is a failed result, the last one.
    """
    try:
        for result in nights:
            report_night(result)
            yield result
    except Exception as trouble:  # noqa: BLE001  a disk, a folder, settings changed meanwhile: this basin's failure and no other's
        result = _failed(settings_file, run_id, trouble)
        report_night(result)
        yield result


def _failed(settings_file: str, run_id: str, trouble: Exception, date: str = "") -> NightResult:
    """Return the failure that trouble outside a date's own process is."""
    basin = ""
    with suppress(SnowtallyError, OSError):
        basin = read_settings(Path(settings_file)).basin.id
    return NightResult(settings_file, basin, date, run_id, message=failure_line(trouble), passing=is_passing(trouble))


def _due(settings_file: str, now: dt.datetime, run_id: str, run_one: RunOne) -> Iterator[NightResult]:
    settings = read_settings(Path(settings_file))
    for note in crashed_nights(settings.archive_root):
        report_crash(settings_file, run_id, note)
    dates = due_dates(settings, now)
    for date in dates:
        yield run_one(Job(settings_file, str(date), run_id))
    yield from _late(settings_file, dates[-1] - dt.timedelta(days=1), run_id, run_one)


def _late(settings_file: str, until: dt.date, run_id: str, run_one: RunOne) -> Iterator[NightResult]:
    settings = read_settings(Path(settings_file))
    if settings.operations.schedule.watch_days == 0:
        return
    try:
        changed = changed_dates(settings, until)
    except SnowtallyError as trouble:
        report_put_off(settings_file, run_id, str(trouble))
        return
    report_damaged(settings_file, run_id, changed.damaged)
    report_late(settings_file, run_id, changed.late)
    left = []
    for one in changed.late if settings.operations.schedule.rerun_late else []:
        # As a night: what an analyst published by hand stays.
        result = run_one(Job(settings_file, str(one.date), run_id, reason=one.reason))
        left += [one] if result.unchanged else []
        yield result
    report_left(settings_file, run_id, left)


def run_once(job: Job, flow_run_id: str = "") -> NightResult:
    """Run one date once, in a process of its own.

    A note says so while it is at work. Never raises.

    Parameters
    ----------
    flow_run_id : the engine's own name of the run, where there is one.
    """
    try:
        settings = read_settings(Path(job.settings))
        night = {"basin": settings.basin.id, "date": job.date, "flow_run_id": flow_run_id}
        with noted(settings.archive_root, job.run_id, night):
            return run_apart(job, settings.operations.longest_s)
    except Exception as trouble:  # noqa: BLE001  as in a night's own process
        return _failed(job.settings, job.run_id, trouble, job.date)


def summary(results: list[NightResult]) -> str:
    """Return a night's results as a Markdown table."""
    lines = ["| basin | date | state | revision | seconds | what to look at |", "| --- | --- | --- | --- | --- | --- |"]
    for one in results:
        revision = "" if one.revision is None else f"r{one.revision:03d}{' (unchanged)' if one.unchanged else ''}"
        words = one.message.replace("|", "/")
        lines.append(
            f"| {one.basin or one.settings} | {one.date} | {one.state} | {revision} | {one.seconds:.1f} | {words} |"
        )
    return "\n".join(lines)


def exit_status(results: list[NightResult]) -> int:
    """Return 1 with a failed night, 3 with a degraded one, else 0."""
    states = {one.state for one in results}
    return 1 if State.FAILED in states else 3 if State.DEGRADED in states else 0
