"""What the commands on the archive say: tables for people, plain values for machines."""

from __future__ import annotations

import calendar
import datetime as dt
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pandas as pd
from rich.table import Table
from rich.text import Text

from pipeline.cli.values import plain_rows
from pipeline.inspection.growth import Growth
from pipeline.inspection.status import Status
from pipeline.publishing.changes import changes_in_words

if TYPE_CHECKING:
    from pipeline.inspection.verify import Verified
    from pipeline.operations.night import NightResult
    from pipeline.operations.rebuild import Rebuilt
    from pipeline.operations.rerun import DateOutcome
    from pipeline.publishing.prune import Pruned

MARKS = {"held": "o", "degraded": "d", "withdrawn": "w", "failed": "x", "missing": "."}
"""Letters of the season's calendar, and what each means."""


# --- status -----------------------------------------------------------------------------------------------------------


def status_tables(title: str, found: Status) -> list[Any]:
    """Return what `snowtally status` prints: the newest season's calendar, the dates to look at, the seasons, the newest."""
    parts: list[Any] = [Text(title, style="bold")]
    if len(found.days):
        season = found.days["season"].iloc[-1]
        parts += _calendar(found, season)
        noticeable = found.days[_to_look_at(found.days) & (found.days["season"] == season)]
        if len(noticeable):
            parts.append(_days(noticeable))
        parts += [f"failed {date}: {found.failed[date]}" for date in sorted(found.failed)]
        in_season = set(found.days.loc[found.days["season"] == season, "date"])
        parts += [f"withdrawn {gone}: {why}" for gone, why in found.withdrawn.items() if gone.date in in_season]
        parts += [f"held back {later}: {why}" for later, why in found.held_back.items() if later.date in in_season]
        parts += [f"second look {date}: {why}" for date, why in found.second_look.items() if date in in_season]
        for name, days in list(found.days.groupby("season", sort=True))[:-1]:
            lacking = sum(days["date"].min() < date < days["date"].max() for date in found.missing)
            parts.append(
                f"season {name}: {int(days['standing'].notna().sum())} dates held, {int(days['degraded'].sum())} degraded, {lacking} missing"
            )
    newest = "no date is current" if found.newest is None else f"newest {found.newest}, {_age(found.age_days)}"
    if found.newest_is_degraded:
        newest += ", degraded"
    if found.newest_in_future:
        parts.append(
            f"the newest date {found.newest} lies in the future: a mistyped date, or this machine's clock is wrong. "
            "`snowtally withdraw D@R` takes a date back"
        )
    revisions = int(found.days["revisions"].sum())
    stand = int(found.days["standing"].notna().sum())
    withdrawn = f", {len(found.days) - stand} withdrawn" if stand < len(found.days) else ""
    parts.append(f"{stand} dates held{withdrawn}, {revisions} revisions, {size_text(found.size_bytes)}; {newest}")
    parts.append(_room(found.growth))
    return parts


def _room(room: Growth) -> str:
    """Return in one line how much room the disk has and how long it lasts."""
    without = f", without {', '.join(room.unread)}, whose index or decisions cannot be read" if room.unread else ""
    if room.free_bytes is None:
        return f"a date takes {size_text(room.bytes_a_day)} by the last month{without}; a store's room is not told here"
    if room.days_left is None:
        return f"disk: {size_text(room.free_bytes)} free; the archive did not grow in the last month{without}"
    lasts = f"{room.days_left} days" if room.days_left < _DAYS_TOLD else "more than ten years"
    pace = f"{size_text(room.bytes_a_day)} a date by the last month: lasts {lasts} at a date a day"
    return f"disk: {size_text(room.free_bytes)} free, {pace}{without}"


_DAYS_TOLD = 3650
"""Beyond ten years a number of days is no forecast."""


def _to_look_at(days: pd.DataFrame) -> pd.Series:
    return days["degraded"] | (days["revisions"] > 1) | (days["withdrawn"] > 0)


def _days(days: pd.DataFrame) -> Table:
    table = Table(
        "date", "revisions", "current", "degraded", "made", "reason", title="To look at", title_justify="left"
    )
    for row in days.itertuples():
        stands = "withdrawn" if pd.isna(row.standing) else f"r{row.standing:03d}"
        degraded = "yes" if row.degraded else ""
        made = "" if pd.isna(row.made) else f"{row.made:%Y-%m-%d %H:%MZ}"
        table.add_row(str(row.date), str(row.revisions), stands, degraded, made, row.reason)
    return table


def _calendar(found: Status, season: str) -> list[str]:
    """Return a season's calendar, one line a month and a letter a day, and the letters' meaning."""
    days = found.days[found.days["season"] == season]
    marks = {date: MARKS["failed" if date in found.failed else "missing"] for date in found.missing}
    for row in days.itertuples():
        kind = "withdrawn" if pd.isna(row.standing) else "degraded" if row.degraded else "held"
        marks[row.date] = MARKS[kind]
    first, last = (
        days["date"].min(),
        max([*days["date"], *(date for date in found.missing if 0 <= (date - days["date"].min()).days <= SEASON_DAYS)]),
    )
    lines, month = [f"Season {season}"], first.replace(day=1)
    while month <= last:
        length = calendar.monthrange(month.year, month.month)[1]
        row = "".join(marks.get(month.replace(day=n), " ") + " " * (n % 5 == 0) for n in range(1, length + 1))
        lines.append(f"{month:%Y-%m}  {row.rstrip()}")
        if (month.year, month.month) == (dt.MAXYEAR, 12):
            break
        month = (month + dt.timedelta(days=31)).replace(day=1)
    used = {mark: name for mark, name in sorted((mark, name) for name, mark in MARKS.items()) if mark in marks.values()}
    return [*lines, "         " + ", ".join(f"{mark} {name}" for mark, name in used.items())]


SEASON_DAYS = 366
"""A gap further from a season's first date than this is another season's."""


def _age(days: int) -> str:
    return f"{days} days ago" if days >= 0 else f"{-days} days ahead of today's date"


def size_text(size: float) -> str:
    """Return a number of bytes for people.

    >>> size_text(999), size_text(1_234_567), size_text(56e9)
    ('999 bytes', '1.2 MB', '56 GB')
    """
    thousand, small = 1000.0, 10
    units = ["bytes", "kB", "MB", "GB", "TB"]
    while size >= thousand and len(units) > 1:
        size, units = size / thousand, units[1:]
    return f"{size:.1f} {units[0]}" if size < small and units[0] != "bytes" else f"{size:.0f} {units[0]}"


def status_json(basin: str, found: Status) -> dict[str, Any]:
    """Return what `snowtally status --json` prints."""
    return {
        "basin": basin,
        "newest": None if found.newest is None else str(found.newest),
        "age_days": found.age_days,
        "newest_degraded": found.newest_is_degraded,
        "newest_in_future": found.newest_in_future,
        "missing": [str(date) for date in found.missing],
        "failed": {str(date): message for date, message in found.failed.items()},
        "withdrawn": {str(gone): why for gone, why in found.withdrawn.items()},
        "held_back": {str(later): why for later, why in found.held_back.items()},
        "second_look": {str(date): why for date, why in found.second_look.items()},
        "size_bytes": found.size_bytes,
        "disk": asdict(found.growth),
        "days": plain_rows(found.days),
    }


# --- verify -----------------------------------------------------------------------------------------------------------


def verify_tables(title: str, found: Verified) -> list[Any]:
    """Return what `snowtally verify` prints: what was looked at, and each trouble with its cure."""
    looked = f"{found.revisions} revisions, {found.files} files, {size_text(found.bytes)} looked at"
    beside = [f"Not judged: {line}" for line in found.not_judged] + [f"Lost: {line}" for line in found.lost]
    if found.leftovers:
        may = f"keep them: the record of {', '.join(found.unknown)} cannot be read and may name them"
        rest = (
            may if found.unknown else "a night was cut off, or is at work. `snowtally prune SETTINGS` lists what can go"
        )
        beside.append(f"Left over: {len(found.leftovers)} archived inputs that no revision names: {rest}")
    if not found.troubles:
        return [f"{title}: sound. {looked}", *beside]
    lines = [f"{t.path}: {t.what}. {t.cure}" for t in found.troubles]
    return [Text(f"{title}: {len(lines)} troubles", style="bold"), *lines, *beside, looked]


def verify_json(basin: str, found: Verified) -> dict[str, Any]:
    """Return what `snowtally verify --json` prints."""
    return {"basin": basin, "sound": not found.troubles, **asdict(found)}


# --- prune ------------------------------------------------------------------------------------------------------------


def prune_tables(found: Pruned) -> list[Any]:
    """Return what `snowtally prune` prints: what can go, or has gone, what was left alone, and the room in all."""
    lines = [f"{one.path}: {size_text(one.bytes)}, {one.age_days:.0f} days old" for one in (*found.inputs, *found.work)]
    lines += [f"Left alone: {line}" for line in found.held_back]
    counts = f"{len(found.inputs)} archived inputs, {len(found.work)} leftovers of nights, {size_text(found.bytes)}"
    done = f"Removed: {counts}" if found.removed else f"Can be removed: {counts}. Nothing was; `--yes` does it"
    return [*lines, done if found.inputs or found.work else "Nothing to remove"]


def prune_json(basin: str, found: Pruned) -> dict[str, Any]:
    """Return what `snowtally prune --json` prints."""
    return {"basin": basin, "bytes": found.bytes, **asdict(found)}


# --- past dates -------------------------------------------------------------------------------------------------------


def dates_tables(outcomes: list[DateOutcome]) -> list[Any]:
    """Return what `rerun` and `backfill` print: one row a date, then what changed since the revision before."""
    if not outcomes:
        return ["Nothing to do: the archive holds every date of the range"]
    table = Table("date", "outcome", "entry", "changed since the revision before, or why not")
    for one in outcomes:
        table.add_row(str(one.date), *_told(one))
    return [table]


def _told(one: DateOutcome) -> tuple[str, str, str]:
    published = one.published
    if published is None:
        return "failed", "", one.trouble
    back = published.held_back_line + ["made current by your decision"] * published.made_current
    if published.unchanged:
        return "nothing new", published.path.name, "; ".join([*back, published.why])
    new = [one.new_archive] * bool(one.new_archive)
    changed = changes_text(published.changes)
    if published.changes is None and published.revision > 1:
        changed = "what changed cannot be told: the record of the revision before cannot be read"
    return (
        "held back" if published.held_back else "degraded" if one.to_look_at else "done",
        published.path.name,
        "; ".join([*back, *one.to_look_at, changed, *one.page_troubles, *new]),
    )


def changes_text(changes: dict[str, Any] | None) -> str:
    """Return what changed since another revision in one line."""
    if changes is None:
        return "first revision"
    return "; ".join(changes_in_words(changes)) or "nothing"


def dates_json(basin: str, outcomes: list[DateOutcome]) -> dict[str, Any]:
    """Return what `rerun --json` and `backfill --json` print."""
    return {"basin": basin, "dates": [_date_json(one) for one in outcomes]}


def _date_json(one: DateOutcome) -> dict[str, Any]:
    published = one.published
    if published is None:
        return {"date": str(one.date), "state": "failed", "message": one.trouble}
    return {
        "date": str(one.date),
        "state": "degraded" if one.to_look_at else "done",
        "revision": published.revision,
        "unchanged": published.unchanged,
        "why": published.why,
        "path": str(published.path),
        "held_back": published.held_back,
        "current_revision": published.current and published.current.number,
        "made_current": published.made_current,
        "degraded": list(one.to_look_at),
        "new_archive": one.new_archive,
        "changes": published.changes,
        "page_troubles": list(one.page_troubles),
    }


def nights_tables(results: list[NightResult]) -> list[Any]:
    """Return what `backfill` prints where dates ran on several workers."""
    if not results:
        return ["Nothing to do: the archive holds every date of the range"]
    table = Table("date", "outcome", "entry", "seconds", "what to look at")
    for one in results:
        entry = "" if one.revision is None else f"r{one.revision:03d}"
        table.add_row(one.date, one.state, entry, f"{one.seconds:.1f}", one.message)
    return [table]


def nights_json(basin: str, results: list[NightResult]) -> dict[str, Any]:
    """Return what `backfill --json` prints where dates ran on several workers."""
    kept = ("date", "state", "revision", "unchanged", "path", "held_back", "message", "seconds", "run_id")
    return {
        "basin": basin,
        "dates": [{name: value for name, value in asdict(one).items() if name in kept} for one in results],
    }


# --- a revision made again --------------------------------------------------------------------------------------------


def rebuilt_tables(found: Rebuilt) -> list[Any]:
    """Return what `rerun --inputs-of` prints: the same bytes, or which files and figures differ and what may be why."""
    name = f"{found.date}@{found.revision}"
    if found.reproduced:
        return [
            f"{name} made again from the archive alone: all {len(found.same)} files have the bytes that its record tells"
        ]
    lines = [
        f"{name} made again from the archive alone: {len(found.different)} files differ, {len(found.same)} are the same"
    ]
    lines += [f"  {file}" for file in found.different]
    lines += [f"  {one['key']}: {one['was']} in the record, {one['is']} now" for one in found.values]
    if found.versions:
        told = ", ".join(f"{one['key']} {one['was']} then, {one['is']} now" for one in found.versions)
        lines.append(f"Other versions, the likely cause: {told}")
    else:
        lines.append("Program and packages are the same: look at the kept inputs with `snowtally verify`")
    return lines


def rebuilt_json(basin: str, found: Rebuilt) -> dict[str, Any]:
    """Return what `rerun --inputs-of --json` prints."""
    content = {"basin": basin, "reproduced": found.reproduced, **asdict(found)}
    return content | {"date": str(found.date), "path": str(found.path)}
