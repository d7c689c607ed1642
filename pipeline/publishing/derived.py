"""What the archive derives from its revisions: current.json, latest.json, index.parquet, totals.parquet of a basin.

Each is replaced in one step and can be made again from the revision folders and the decisions.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from snowtally.archive.columns import ARROW, COLUMNS, conformed
from snowtally.archive.current import UNREADABLE, Decisions, Soundness, current_of
from snowtally.archive.current import held_back as why_held_back
from snowtally.archive.records import RECORD, load_record, way_back
from snowtally.archive.revisions import Revision, RevisionId
from snowtally.model.problems import ArchiveError
from snowtally.publishing.stac import ITEM, catalog_json, collection_json, season_json, season_name, season_start
from snowtally.publishing.staging import left_behind
from snowtally.publishing.tables import parquet_bytes
from snowtally.reading import basin_folder, dates_held, decisions, revisions, used_in
from snowtally.storage.files import replace_file
from snowtally.storage.json_text import from_json
from snowtally.storage.locks import basin_lock
from snowtally.storage.parquet import read_arrow
from snowtally.storage.paths import in_store, local_file, sizes_in

INDEX_SCHEMA = pa.schema([
    ("date", pa.date32()), ("revision", pa.int32()), ("degraded", pa.bool_()), ("withdrawn", pa.bool_()),
    ("current", pa.bool_()), ("held_back", pa.string()), ("losses", pa.string()),
    ("reason", pa.string()), ("made", pa.timestamp("us", "UTC")), ("code_version", pa.string()),
    ("input_hash", pa.string()), ("season", pa.string()), ("item", pa.bool_()), ("size_bytes", pa.int64()),
])  # fmt: skip
"""`current` tells whether readers get it, `held_back` why they do not though it is newer than the current one (empty for others),
`losses` what a degraded one lacks, as JSON (null in records of before version 3). `season` names the catalogue that a revision belongs
to, `item` tells whether it has a STAC item, `size_bytes` is all its files together. A revision whose record cannot be read
is there too, as degraded, with nulls for what only its record says."""

NO_RECORD = "unknown: its record.json cannot be read, see `snowtally verify`"
"""Reason of such a revision."""


def totals_schema() -> pa.Schema:
    """Return the schema of a basin's `totals.parquet`.

    It is the schema of a revision's totals, with `revision` after `date`.
    """
    fields = [pa.field(column.name, ARROW[column.kind]) for column in COLUMNS["totals"]]
    behind = 1 + next(n for n, field in enumerate(fields) if field.name == "date")
    return pa.schema([*fields[:behind], pa.field("revision", pa.int32()), *fields[behind:]])


def refresh(root: Path, basin: str, dates: Iterable[dt.date], work: Path) -> None:
    """Bring what is derived up to date for `dates`. `work` is a folder on the same file system to write in first.

    The time does not depend on how many dates the archive holds, save for copying two small tables. Where one of them
    is missing or cannot be read, or names what is not there any more, all dates are done. To be called under the basin's lock. Raises OSError.
    """
    folder, wanted = basin_folder(root, basin), sorted(set(dates))
    for _ in range(_TRIES):
        index = _read(folder / "index.parquet", INDEX_SCHEMA)
        totals = _read(folder / "totals.parquet", totals_schema())
        if index is None or totals is None or set(index["date"].to_pylist()) - {*dates_held(root, basin), *wanted}:
            rebuild(root, basin, work)
            return
        try:
            derived = derive(root, basin, (index, totals), wanted)
        except _GoneError:
            rebuild(root, basin, work)
            return
        _write(root, basin, derived, work)
        if not in_store(folder) or _holds(_read(folder / "index.parquet", INDEX_SCHEMA), derived.index, wanted):
            return


class _GoneError(ArchiveError):
    """Raised when a revision that a derived table names is not there. Somebody took its folder away by hand."""


_TRIES = 10
"""A store has no lock: where another writer's table was put over ours in between, ours is made again from theirs."""


def _holds(table: pa.Table | None, should: pa.Table, dates: list[dt.date]) -> bool:
    """Return whether a table says of some dates what another does."""
    if table is None:
        return False
    one, other = (t.filter(pc.is_in(t["date"], pa.array(dates, pa.date32()))) for t in (table, should))
    return one.equals(other)


def rebuild(root: Path, basin: str, work: Path) -> int:
    """Make all that is derived again from the revisions and decisions. Return how many dates there are."""
    dates = dates_held(root, basin)
    _write(root, basin, derive(root, basin, None, dates), work)
    return len(dates)


@dataclass(frozen=True)
class Derived:
    """What is derived of a basin.

    The index of revisions, the totals of the current ones, and small JSON files by path.
    """

    index: pa.Table
    totals: pa.Table
    small: dict[Path, bytes]


def derive(root: Path, basin: str, tables: tuple[pa.Table, pa.Table] | None, dates: list[dt.date]) -> Derived:
    """Return what is derived, with the rows of `dates` made new.

    Other rows are those of `tables`, index and totals; None for none.

    The small files are those of `dates` and of their seasons, and those of the basin. Damage of one revision keeps no other from
    being told: a record that cannot be read makes an index row of what is known without it, and totals that cannot be read have
    no rows. Raises ArchiveError when the decisions cannot be read.
    """
    index, totals = tables or (INDEX_SCHEMA.empty_table(), totals_schema().empty_table())
    folder = basin_folder(root, basin)
    decided = decisions(root, basin)
    index_rows, totals_rows, small = [], [], {}
    before = index.filter(pc.is_in(index["date"], pa.array(dates, pa.date32())))["season"].to_pylist()
    for date in dates:
        held = revisions(root, basin, date)
        rows = _judged(held, [_index_row(r) for r in held], decided)
        index_rows += rows
        current = next((r for r in held if any(row["current"] and row["revision"] == r.number for row in rows)), None)
        with suppress(ArchiveError):
            totals_rows += [_totals_rows(current)] if current else []
        if held:
            small[folder / date.isoformat() / "current.json"] = _json(_named(current, date, in_basin=False))
    index = _put(index, dates, [pa.Table.from_pylist(index_rows, schema=INDEX_SCHEMA)])
    small[folder / "latest.json"] = _json(_latest(root, basin, index))
    small |= _catalogues(root, basin, index, {*before, *(row.get("season") for row in index_rows)} - {None})
    return Derived(index, _put(totals, dates, totals_rows), small)


def _write(root: Path, basin: str, derived: Derived, work: Path) -> None:
    """Replace what is derived, each file in one step."""
    folder = basin_folder(root, basin)
    replace_file(folder / "totals.parquet", parquet_bytes(derived.totals), work)
    replace_file(folder / "index.parquet", parquet_bytes(derived.index), work)
    for path, data in derived.small.items():
        _replace_unless_same(path, data, work)
    if (root / "catalog.json").exists() or (folder / "collection.json").exists():
        # Basins are published at once, each under its own lock; the archive's catalogue is theirs together.
        with basin_lock(root, ".catalog"):
            _replace_unless_same(root / "catalog.json", root_catalogue(root), work)


def read_index(root: str | Path, basin: str) -> pa.Table:
    """Return every revision of a basin as in `index.parquet`.

    It is sorted by date and number, and true to the folders.

    `withdrawn` and `current` come from the decisions. Folders are looked into where the index may be behind: dates that it does not have,
    dates of nights that were cut off, and the newest; so that the time does not grow with the dates held.
    """
    folder, decided = basin_folder(root, basin), decisions(root, basin)
    index = _read(folder / "index.parquet", INDEX_SCHEMA) or INDEX_SCHEMA.empty_table()
    known: dict[dt.date, list[dict]] = {}
    for row in index.to_pylist():
        known.setdefault(row["date"], []).append(row)
    dates = dates_held(root, basin)
    cut_off = {dt.date.fromisoformat(date) for date in left_behind(root, basin).values() if date}
    for date in dates:
        if date not in known or date in cut_off or date in dates[-_LOOKED_INTO:]:
            by_number = {row["revision"]: row for row in known.get(date, [])}
            known[date] = [by_number.get(r.number) or _index_row(r) for r in revisions(root, basin, date)]
        rows = known[date]
        alone = len(rows) == 1 and RevisionId(date, rows[0]["revision"]) not in decided.withdrawn
        # Most dates have one revision, and nothing to judge.
        if not (alone and rows[0].get("current")):
            ids = [RevisionId(date, row["revision"]) for row in rows]
            held = [Revision(revision, folder / str(date) / revision.folder) for revision in ids]
            known[date] = _judged(held, rows, decided)
    return pa.Table.from_pylist([row for date in dates for row in known[date]], INDEX_SCHEMA)


_LOOKED_INTO = 30
"""Newest dates whose folders are looked into in any case: a month."""


def _read(path: Path, schema: pa.Schema) -> pa.Table | None:
    """Return a derived table, None where it must be made again.

    That is where it is missing, damaged or of an older version.

    Columns that a newer program added are left out.
    """
    try:
        table = read_arrow(path)
        table = table.select(schema.names)
    except (OSError, ValueError, KeyError):
        return None
    return table if table.schema.equals(schema) else None


def _put(table: pa.Table, dates: list[dt.date], rows: list[pa.Table]) -> pa.Table:
    """Return `table` with the rows of `dates` replaced, by date. Rows of one date keep their order."""
    others = table.filter(pc.invert(pc.is_in(table["date"], pa.array(dates, pa.date32()))))
    joined = pa.concat_tables([others, *rows])
    return joined.take(pc.sort_indices(joined, [("date", "ascending")])).combine_chunks()


def _judged(held: list[Revision], rows: list[dict], decided: Decisions) -> list[dict]:
    """Return a date's rows of the index with each revision's state. A revision is withdrawn, current or held back."""
    facts = {row["revision"]: row for row in rows}

    def soundness(revision: Revision) -> Soundness:
        return Soundness.of(facts[revision.number]) if revision.number in facts else UNREADABLE

    current = current_of(held, decided, soundness)
    marks = {r.number: {"withdrawn": r.id in decided.withdrawn, "current": r == current} for r in held}
    if all(row | marks[row["revision"]] == row for row in rows):
        # As it was told: the words need records.
        return rows
    why = why_held_back(held, current, decided, soundness, used_in)
    return [row | marks[row["revision"]] | {"held_back": why.get(row["revision"], "")} for row in rows]


def _index_row(revision: Revision) -> dict:
    """Return what a revision's record says of it for the index.

    Of one that cannot be read, what is known without it.
    """
    known = {"date": revision.date, "revision": revision.number}
    try:
        record = load_record(revision.path)
        losses = record.get("losses")
        Soundness.of(record)
        return known | {
            "degraded": record["degraded"],
            "losses": None if losses is None else json.dumps(losses, ensure_ascii=False), "reason": record["reason"], "made": dt.datetime.fromisoformat(record["made"]),
            "code_version": record["code"]["version"], "input_hash": record["input_hash"],
            "season": season_name(revision.date, season_start(record["settings"])),
            "item": any(file["name"] == ITEM for file in record["files"]) and (revision.path / ITEM).is_file(),
            "size_bytes": (revision.path / RECORD).stat().st_size + sum(file["size"] for file in record["files"]),
        }  # fmt: skip
    except (ArchiveError, OSError, ValueError, KeyError, TypeError, AttributeError):
        # Losses, settings or a season's start that are none are damage of the record too.
        size = sum(sizes_in(revision.path).values())
        return known | {"degraded": True, "reason": NO_RECORD, "item": False, "size_bytes": size}


def _totals_rows(current: Revision) -> pa.Table:
    path, schema = current.path / "totals.parquet", totals_schema()
    try:
        table = conformed(read_arrow(local_file(path)), COLUMNS["totals"])
    except (OSError, ValueError) as error:
        # A damaged name of a column need not be text; Arrow's own errors are ValueErrors too.
        raise ArchiveError(f"{path} cannot be read ({error}). {way_back(current.path)}") from error
    number = pa.array([current.number] * table.num_rows, pa.int32())
    table = table.add_column(table.schema.get_field_index("date") + 1, schema.field("revision"), number)
    # Columns that a newer program added are its own to gather.
    return table.select(schema.names)


def _latest(root: Path, basin: str, index: pa.Table) -> dict:
    current = index.filter(index["current"])
    if current.num_rows == 0:
        return _named(None, None, in_basin=True)
    date = current["date"][-1].as_py()
    number = current["revision"][-1].as_py()
    newest = next((r for r in revisions(root, basin, date) if r.number == number), None)
    if newest is None:
        raise _GoneError(f"{basin_folder(root, basin)} has no revision {number} of {date}. Put it back from a copy.")
    return _named(newest, date, in_basin=True)


def _named(current: Revision | None, date: dt.date | None, *, in_basin: bool) -> dict:
    """Return date, revision and path as the small files have them.

    The path starts at the file's folder; nulls when none is current.
    """
    path = None if current is None else f"{current.date}/{current.path.name}" if in_basin else current.path.name
    return {"date": date and date.isoformat(), "revision": current and current.number, "path": path}


def _catalogues(root: Path, basin: str, index: pa.Table, seasons: set[str]) -> dict[Path, bytes]:
    """Return the STAC catalogues of a basin by path. Those of `seasons`, and its collection.

    A date whose current revision is of before there were items is left out; with no item at all there is no catalogue.
    """
    folder = basin_folder(root, basin)
    held = sorted(season for season in index["season"].unique().to_pylist() if season is not None)
    # Season by season: the years before cost a night nothing.
    first = _described(folder, (path for season in held for _, path in _listed(index, season)))
    last = _described(folder, (path for season in reversed(held) for _, path in reversed(_listed(index, season))))
    if first is None or last is None:
        return {}
    (first_item, _), (last_item, title) = first, last
    # A season whose every revision was withdrawn keeps an empty catalogue: their items' parent links lead to it.
    small = {
        folder / f"{season}.json": season_json(basin, title, season, _listed(index, season))
        for season in sorted(seasons)
    }
    return small | {folder / "collection.json": collection_json(basin, held, (first_item, last_item), title)}


def _described(folder: Path, paths: Iterable[str]) -> tuple[dict, str] | None:
    """Return the first readable STAC item with the basin's title. None where none can be read."""
    for path in paths:
        item = _item(folder / path)
        with suppress(ArchiveError):
            if item is not None:
                return item, load_record((folder / path).parent)["title"]
    return None


def _listed(index: pa.Table, season: str) -> list[tuple[str, str]]:
    """Return date and path of a season's current items, oldest first."""
    rows = index.filter(pc.and_(pc.equal(index["season"], season), index["current"])).to_pylist()
    return [(str(row["date"]), f"{row['date']}/r{row['revision']:03d}/{ITEM}") for row in rows if row["item"]]


def root_catalogue(root: Path) -> bytes:
    """Return what the archive's `catalog.json` must hold. A child for each basin that has a collection."""
    return catalog_json(sorted(path.parent.name for path in root.glob("*/collection.json")))


def _item(path: Path) -> dict | None:
    """Return an item with what a collection needs of it.

    None when it cannot be read. Raises _GoneError when it is not there.
    """
    try:
        item = from_json(path.read_text("utf-8"))
        _ = item["bbox"], item["properties"]["datetime"], item["properties"]["proj:code"]
    except FileNotFoundError as error:
        raise _GoneError(f"{path} is not there. Put it back from a copy.") from error
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return item


def _json(content: dict) -> bytes:
    return (json.dumps(content) + "\n").encode("utf-8")


def _replace_unless_same(path: Path, data: bytes, work: Path) -> None:
    """Replace a small file unless it says the same already. A rebuild would flush thousands of them."""
    try:
        same = path.read_bytes() == data
    except OSError:
        # Not there; or in a store, replaced by another writer while it was read.
        same = False
    if not same:
        replace_file(path, data, work)
