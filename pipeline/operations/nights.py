"""A night of several basins, one after the other: whoever runs a single date is given, the order and the telling are here."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

from pipeline.model.problems import SnowtallyError
from pipeline.operations.child_process import run_apart
from pipeline.operations.due import due_dates
from pipeline.operations.late import changed_dates
from pipeline.operations.messages import tell_crash, tell_damaged, tell_late, tell_left, tell_night, tell_put_off
from pipeline.operations.night import NIGHTLY, NightResult, is_passing
from pipeline.operations.notes import crashed_nights, noted
from pipeline.settings.basin import read_settings
from pipeline.storage.failure_log import failure_line

RunOne = Callable[[str, str, str, tuple[str, str]], NightResult]
"""Runs one date: settings file, date, run id, and command with reason. Never raises."""


def night_of(settings_files: list[str], now: dt.datetime, run_id: str, run_one: RunOne) -> list[NightResult]:
    """Run the dates due of every basin at an instant (with time zone), then those whose inputs changed; return all results.

    One basin's failure, foreseen or not, never keeps the next from being run. Each result is told as soon as it is there.
    """
    results = []
    for settings_file in settings_files:
        results += _told(settings_file, run_id, _due(settings_file, now, run_id, run_one))
    return results


def watch(settings_file: str, until: dt.date, run_id: str, run_one: RunOne) -> list[NightResult]:
    """Look for dates up to `until` whose inputs changed, tell them, and run them again where the settings want that."""
    return list(_told(settings_file, run_id, _late(settings_file, until, run_id, run_one)))


def _told(settings_file: str, run_id: str, nights: Iterator[NightResult]) -> Iterator[NightResult]:
    """Tell a basin's results as they come and pass them on; whatever breaks them off is a failed result, the last one."""
    try:
        for result in nights:
            tell_night(result)
            yield result
    except Exception as trouble:  # noqa: BLE001  a disk, a folder, settings changed meanwhile: this basin's failure and no other's
        result = _failed(settings_file, run_id, trouble)
        tell_night(result)
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
        tell_crash(settings_file, run_id, note)
    dates = due_dates(settings, now)
    for date in dates:
        yield run_one(settings_file, str(date), run_id, NIGHTLY)
    yield from _late(settings_file, dates[-1] - dt.timedelta(days=1), run_id, run_one)


def _late(settings_file: str, until: dt.date, run_id: str, run_one: RunOne) -> Iterator[NightResult]:
    settings = read_settings(Path(settings_file))
    if settings.operations.schedule.watch_days == 0:
        return
    try:
        changed = changed_dates(settings, until)
    except SnowtallyError as trouble:
        tell_put_off(settings_file, run_id, str(trouble))
        return
    tell_damaged(settings_file, run_id, changed.damaged)
    tell_late(settings_file, run_id, changed.late)
    left = []
    for one in changed.late if settings.operations.schedule.rerun_late else []:
        # As a night: what an analyst published by hand stays.
        result = run_one(settings_file, str(one.date), run_id, ("update", one.reason))
        left += [one] if result.unchanged else []
        yield result
    tell_left(settings_file, run_id, left)


def run_once(settings_file: str, date: str, run_id: str, why: tuple[str, str], flow_run_id: str = "") -> NightResult:
    """Run one date once, in a process of its own, with a note of it while it is at work. Never raises.

    Parameters
    ----------
    why : command and reason for the record.
    flow_run_id : the engine's own name of the run, where there is one.
    """
    try:
        settings = read_settings(Path(settings_file))
        night = {"basin": settings.basin.id, "date": date, "flow_run_id": flow_run_id}
        with noted(settings.archive_root, run_id, night):
            return run_apart(settings_file, date, run_id, settings.operations.longest_s, why)
    except Exception as trouble:  # noqa: BLE001  as in a night's own process
        return _failed(settings_file, run_id, trouble, date)


def run_patiently(settings_file: str, date: str, run_id: str, why: tuple[str, str]) -> NightResult:
    """Run one date as `run_once` does, and again after each of the settings' waits while it fails for a passing cause."""
    result = run_once(settings_file, date, run_id, why)
    if not result.passing:
        return result
    try:
        waits_s = read_settings(Path(settings_file)).operations.retry.waits_s
    except (SnowtallyError, OSError):
        # Settings spoilt meanwhile: what the date itself ended with tells more.
        return result
    for wait_s in waits_s:
        time.sleep(wait_s)
        result = run_once(settings_file, date, run_id, why)
        if not result.passing:
            break
    return result


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
    """Return 1 when a night failed, else 3 when one is degraded, else 0."""
    states = {one.state for one in results}
    return 1 if "failed" in states else 3 if "degraded" in states else 0
