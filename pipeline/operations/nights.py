"""A night of several basins, one after the other: whoever runs a single date is given, the order and the telling are here."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path

from pipeline.operations.apart import run_apart
from pipeline.operations.due import due_dates
from pipeline.operations.late import late_dates
from pipeline.operations.night import NIGHTLY, NightResult, is_passing
from pipeline.operations.notes import crashed_nights, noted
from pipeline.operations.telling import tell_crash, tell_late, tell_night
from pipeline.problems import SnowtallyError
from pipeline.settings import Settings, read_settings

RunOne = Callable[[str, str, str, tuple[str, str]], NightResult]
"""Runs one date: settings file, date, run id, and command with reason. Never raises."""


def night_of(settings_files: list[str], now: dt.datetime, run_id: str, run_one: RunOne) -> list[NightResult]:
    """Run the dates due of every basin at an instant (with time zone), then those whose inputs changed; return all results.

    One basin's failure never keeps the next from being run. Each result is told as soon as it is there.
    """
    results = []
    for settings_file in settings_files:
        settings, result = _readable(settings_file, run_id)
        if settings is None:
            results.append(result)
            continue
        for note in crashed_nights(settings.archive_root):
            tell_crash(settings_file, run_id, note)
        try:
            dates = due_dates(settings, now)
        except SnowtallyError as trouble:
            result = NightResult(settings_file, settings.basin.id, run_id=run_id, message=str(trouble))
            tell_night(result)
            results.append(result)
            continue
        for date in dates:
            results.append(run_one(settings_file, str(date), run_id, NIGHTLY))
            tell_night(results[-1])
        results += watch(settings_file, dates[-1] - dt.timedelta(days=1), run_id, run_one)
    return results


def watch(settings_file: str, until: dt.date, run_id: str, run_one: RunOne) -> list[NightResult]:
    """Look for dates up to `until` whose inputs changed, tell them, and run them again where the settings want that."""
    settings, result = _readable(settings_file, run_id)
    if settings is None:
        return [result]
    if settings.operations.schedule.watch_days == 0:
        return []
    try:
        late = late_dates(settings, until)
    except SnowtallyError as trouble:
        tell_late(settings_file, run_id, [], str(trouble))
        return []
    tell_late(settings_file, run_id, [asdict(one) | {"date": str(one.date)} for one in late], "")
    results = []
    for one in late if settings.operations.schedule.rerun_late else []:
        # As a night: what an analyst published by hand stays.
        results.append(run_one(settings_file, str(one.date), run_id, ("update", one.reason)))
        tell_night(results[-1])
    return results


def _readable(settings_file: str, run_id: str) -> tuple[Settings | None, NightResult]:
    """Return the settings, or None and the failure that tells why they cannot be used."""
    try:
        settings = read_settings(Path(settings_file))
    except SnowtallyError as trouble:
        return None, NightResult(settings_file, run_id=run_id, message=str(trouble))
    return settings, NightResult(settings_file, settings.basin.id, run_id=run_id)


def run_once(settings_file: str, date: str, run_id: str, why: tuple[str, str], flow_run_id: str = "") -> NightResult:
    """Run one date once, in a process of its own, with a note of it while it is at work.

    Parameters
    ----------
    why : command and reason for the record.
    flow_run_id : the engine's own name of the run, where there is one.
    """
    settings, result = _readable(settings_file, run_id)
    if settings is None:
        return result
    night = {"basin": settings.basin.id, "date": date, "flow_run_id": flow_run_id}
    try:
        with noted(settings.archive_root, run_id, night):
            return run_apart(settings_file, date, run_id, settings.operations.limits.night_s, why)
    except OSError as trouble:
        message = f"{trouble.filename or 'the archive'}: {trouble.strerror}. Look at the disk"
        return replace(result, date=date, message=message, passing=is_passing(trouble))


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
