"""Rows and grids that came or changed after their dates were estimated: which dates would be made from other inputs now."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pipeline.operations.arrival import Clock, input_rasters, wait_for_arrival
from pipeline.operations_settings import Arrival
from pipeline.outputs.record import input_sha256
from pipeline.problems import ArchiveError, StillArrivingError
from pipeline.reading import dates_held, load_record, revisions
from pipeline.run import input_identity
from pipeline.settings import Settings


@dataclass(frozen=True)
class LateDate:
    """A date whose inputs are others than those of its newest revision.

    Parameters
    ----------
    date, revision : which revision.
    reason : what came, went or changed, in one line.
    """

    date: dt.date
    revision: int
    reason: str


def late_dates(settings: Settings, until: dt.date) -> list[LateDate]:
    """Return the held dates of the last `watch_days` up to `until` whose inputs' identity has changed, and no others, oldest first.

    Raises
    ------
    StillArrivingError : a flight or cover grid is still being written: what it will say cannot be told yet. (Tables grow all day.)
    SnowtallyError : a required input cannot be used.
    """
    root, basin = settings.archive_root, settings.basin.id
    first = until - dt.timedelta(days=settings.operations.schedule.watch_days - 1)
    dates = [date for date in dates_held(root, basin) if first <= date <= until]
    if not dates:
        return []
    quiet_s = settings.operations.arrival.quiet_s
    arriving = wait_for_arrival(
        lambda: input_rasters(settings, until), Arrival(quiet_s=quiet_s, wait_s=0), Clock(), lambda _paths: None
    )
    if arriving:
        names = ", ".join(sorted(str(path) for path in arriving))
        raise StillArrivingError(f"{names}: still being written, so late inputs are looked for another time")
    late = []
    for date in dates:
        held = revisions(root, basin, date)
        try:
            record = load_record(held[-1].path) if held else None
        except ArchiveError:
            # Damage of one date's record is `verify`'s to tell, and keeps no other date from being watched.
            continue
        if record is None:
            continue
        now = input_identity(settings, date)
        if input_sha256(now) != record["input_hash"]:
            reason = f"late inputs: {_difference(record['kept_inputs'], now)} since r{held[-1].number:03d}"
            late.append(LateDate(date, held[-1].number, reason))
    return late


def _difference(was: dict[str, str], now: dict[str, str]) -> str:
    """Return which tables and grids came, went or changed."""
    told = [f"{name} came" for name in sorted(now) if name not in was]
    told += [f"{name} changed" for name in sorted(now) if was.get(name, now[name]) != now[name]]
    told += [f"{name} went" for name in sorted(was) if name not in now and name.startswith(("flight ", "cover"))]
    return ", ".join(told) or "rows"
