"""The shell around a basin day: files in, estimate, archive out."""

from __future__ import annotations

import datetime as dt
import hashlib
import os
import subprocess
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.metadata import version
from pathlib import Path

from pipeline.day import Day
from pipeline.estimate import Choices, estimate_day
from pipeline.gather import Readings, Stage, read_inputs
from pipeline.outputs.archive import Published, left_as_it_is, publish
from pipeline.outputs.attempts import note_failed
from pipeline.outputs.keep import keep_inputs
from pipeline.outputs.kept_grids import grids_sha256
from pipeline.outputs.kept_rows import rows_sha256
from pipeline.outputs.record import Provenance, UsedFile, input_sha256
from pipeline.outputs.report.pages import Pages, make_missing, remake
from pipeline.settings import Settings


@dataclass(frozen=True)
class Outcome:
    """What an update did: the revision, the day as published, why it is degraded, what was read, and its pages."""

    published: Published
    day: Day | None
    readings: Readings
    pages: Pages = field(default_factory=lambda: Pages(None))


def last_complete_day(settings: Settings, now: dt.datetime) -> dt.date:
    """Return the last local day that is over at the instant `now` (with time zone)."""
    local = now.astimezone(dt.timezone(dt.timedelta(hours=settings.basin.utc_offset_hours)))
    return local.date() - dt.timedelta(days=1)


def update(
    settings: Settings, date: dt.date, stage: Stage, command: str = "update", reason: str = "nightly update"
) -> Outcome:
    """Estimate a date and publish it, unless what is there is to be left as it is (`left_as_it_is` says when).

    `command` is update, backfill or rerun. An attempt that fails is noted in the archive, so that status can tell of it.

    Raises
    ------
    SnowtallyError : the settings, a required input or the archive cannot be used, or no estimate is possible.
    """
    try:
        return _update(settings, date, stage, (command, reason))
    except Exception as trouble:
        note_failed(settings.archive_root, settings.basin.id, date, str(trouble) or type(trouble).__name__)
        raise


def _update(settings: Settings, date: dt.date, stage: Stage, why: tuple[str, str]) -> Outcome:
    readings = read_inputs(settings, date, stage, keep=True)
    provenance = _provenance(settings, readings, why)
    archive = settings.archive_root
    stage("looking into the archive")
    left = left_as_it_is(archive, settings.basin.id, date, provenance)
    if left is not None:
        return Outcome(left, None, readings, make_missing(archive, settings.basin.id, date, settings.report.units))
    stage("estimating")
    day = estimate_day(readings.inputs, choices(settings, date))
    stage("publishing")
    kept = keep_inputs(archive, settings.basin.id, readings.rows | readings.beside, readings.grids)
    published = publish(archive, day, replace(provenance, kept=kept))
    stage("making the page")
    return Outcome(published, day, readings, remake(archive, settings.basin.id, date, settings.report.units))


def choices(settings: Settings, date: dt.date) -> Choices:
    """Return what the settings choose in the science for a date."""
    return Choices(
        snow_class=settings.density.snow_class,
        season_start=settings.season_start(date),
        least_valid_fraction=settings.flights.least_valid_fraction,
        method=settings.blend.method,
        wind_from_deg=settings.blend.wind_from_deg,
    )


def _provenance(settings: Settings, readings: Readings, why: tuple[str, str]) -> Provenance:
    """Return how a day comes to be: settings, files and the identity of what was used from them."""
    hashes = {name: rows_sha256(table) for name, table in readings.rows.items()}
    hashes |= {name: grids_sha256(grids) for name, grids in readings.grids.items()}
    home = settings.file.parent
    used = [
        UsedFile(
            file.role, Path(os.path.relpath(file.path, home)).as_posix(), file.size, file.sha256, hashes.get(name, "")
        )
        for file, name in readings.files
    ]
    release, commit = code_version()
    return Provenance(
        settings=settings.as_used(),
        settings_hash=settings.identity(),
        inputs=used,
        input_hash=input_sha256(hashes),
        command=why[0],
        reason=why[1],
        degraded=readings.degraded,
        code_version=release,
        commit=commit,
        made=dt.datetime.now(dt.UTC),
    )


@cache
def code_version() -> tuple[str, str]:
    """Return the program's version and, where it runs from a git checkout, the commit; the version then names it too.

    A checkout's files change without a new version, and a day made by other code is another day: what is changed and not
    committed is named by a hash of its own.
    """
    release = version("snowtally")
    # An installed copy may lie inside somebody's own repository, whose commits say nothing of this program.
    if not _git("ls-files", "--error-unmatch", Path(__file__).name):
        return release, ""
    commit = _git("rev-parse", "--short=12", "HEAD").strip()
    changed = _git("diff", "HEAD", "--", ".")
    mark = "." + hashlib.sha256(changed.encode()).hexdigest()[:8] if changed else ""
    return f"{release}+{commit}{mark}", commit


def _git(*words: str) -> str:
    """Return what git says of the folder this file lies in; nothing where there is no git or no checkout."""
    try:
        asked = subprocess.run(  # noqa: S603  fixed words, nothing from outside
            ["git", "-C", str(Path(__file__).resolve().parent), *words],  # noqa: S607  git from the path, where there is one
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
    except OSError:
        return ""
    return asked.stdout if asked.returncode == 0 else ""
