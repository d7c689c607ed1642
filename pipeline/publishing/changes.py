"""What a revision was made from that another was not: settings, code, and which rows and grids came, went or changed."""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path
from typing import Any

import pandas as pd

from snowtally.model.problems import ArchiveError
from snowtally.publishing.archived_inputs import inputs_folder
from snowtally.publishing.archived_rows import archived_months, read_month

KEYS = {
    "sites": ("site_id",),
    "courses": ("site_id", "date", "point"),
    "earlier_visits": ("site_id", "date"),
    "earlier_pairs": ("site_id", "date"),
    "stations": ("site_id", "time"),
    "weather": ("date", "elevation_m"),
    "earlier_issues": ("date", "issued"),
    "overrides": ("site_id", "first", "variable"),
    "normals": ("site_id", "day"),
    "flights": ("flight_id",),
}
"""What makes two rows of a table the same row, whose values may have changed."""

OUTCOMES = ("came", "went", "changed")


def changes(archives: tuple[str | Path, str | Path], basin: str, before: dict[str, Any], after: dict[str, Any]) -> dict:
    """Return what changed from one revision to another. Compared are inputs, settings and code.

    Parameters
    ----------
    archives : where the one and the other keep their inputs.
    before, after : their records; of `after` the keys settings, code and kept_inputs are enough.

    Returns
    -------
    `settings` : {key, was, is} for each, the key with dots; `code` : {was, is} or None; `rows` : by table how many came,
    went and changed, and `where`: the same by site with the first and last day; `grids` : names that came, went and
    changed; `unreadable` : tables of which the archive no longer keeps both sides.
    """
    was, now = before["kept_inputs"], after["kept_inputs"]
    code = {"was": before["code"]["version"], "is": after["code"]["version"]}
    rows, unreadable = {}, []
    for name in KEYS:
        if was.get(name) == now.get(name):
            continue
        try:
            changed = changed_rows(archives, basin, name, (was.get(name), now.get(name)))
        except ArchiveError:
            unreadable.append(name)
            continue
        # A table without rows and no table are no change.
        if len(changed):
            rows[name] = changes_by_site(changed)
    return {
        "settings": changed_values(before["settings"], after["settings"]),
        "code": code if code["was"] != code["is"] else None,
        "rows": rows,
        "grids": _changed_grids(archives[1], basin, was, now),
        "unreadable": unreadable,
    }


def _changed_grids(root: str | Path, basin: str, was: dict[str, str], now: dict[str, str]) -> dict[str, list[str]]:
    folder = inputs_folder(root, basin)
    names = [name for name in {**was, **now} if name not in KEYS and not _is_rows(folder, {**was, **now}[name])]
    return {
        "came": sorted(name for name in names if name not in was),
        "went": sorted(name for name in names if name not in now),
        "changed": sorted(name for name in names if name in was and name in now and was[name] != now[name]),
    }


def _is_rows(folder: Path, sha256: str) -> bool:
    return (folder / f"{sha256}.json").exists()


def changed_rows(
    archives: tuple[str | Path, str | Path], basin: str, name: str, hashes: tuple[str | None, str | None]
) -> pd.DataFrame:
    """Return the rows that came, went or changed, as text. The first column is `outcome`.

    A changed row stands as it is now. Only the months that differ are read. Raises ArchiveError when they are not kept.
    """
    sides = []
    for root, sha256 in zip(archives, hashes, strict=True):
        folder = inputs_folder(root, basin)
        sides.append((folder, [] if sha256 is None else archived_months(folder, sha256)))
    shared = set(sides[0][1]) & set(sides[1][1])
    before, after = (_rows_of(folder, [m for m in months if m not in shared]) for folder, months in sides)
    columns = [c for c in after.columns if c in before.columns] if len(before) and len(after) else []
    columns = columns or list(after.columns if len(after) else before.columns)
    key = [columns.index(c) for c in KEYS[name] if c in columns]
    old, new = (Counter(map(tuple, side.reindex(columns=columns).to_numpy())) for side in (before, after))
    came, went = list((new - old).elements()), list((old - new).elements())
    left = Counter(tuple(row[k] for k in key) for row in went)
    rows = []
    for row in came:
        same = tuple(row[k] for k in key)
        rows.append(("changed" if left[same] else "came", *row))
        left[same] -= left[same] > 0
    for row in reversed(went):
        same = tuple(row[k] for k in key)
        if left[same]:
            rows.append(("went", *row))
            left[same] -= 1
    return pd.DataFrame(rows, columns=["outcome", *columns]).sort_values(
        ["outcome", *columns], ignore_index=True, kind="stable"
    )


def _rows_of(folder: Path, months: list[str]) -> pd.DataFrame:
    """Return the rows of archived months as text."""
    parts = [pd.read_csv(io.BytesIO(read_month(folder, month)), dtype=str, keep_default_na=False) for month in months]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def changes_by_site(rows: pd.DataFrame) -> dict[str, Any]:
    """Return how many rows came, went and changed, and where. By site with the first and last day."""
    day = next((name for name in ("date", "time", "first") if name in rows.columns), None)
    changed = rows.assign(
        site_id=rows["site_id"] if "site_id" in rows.columns else "", day=rows[day].str[:10] if day else ""
    )
    where = [
        {
            "site_id": str(site_id), "start": group["day"].min(), "end": group["day"].max(),
            **{outcome: int((group["outcome"] == outcome).sum()) for outcome in OUTCOMES},
        }
        for site_id, group in changed.groupby("site_id", sort=True)
    ]  # fmt: skip
    return {outcome: int((changed["outcome"] == outcome).sum()) for outcome in OUTCOMES} | {"where": where}


def changes_in_words(changes: dict[str, Any]) -> list[str]:
    """Return what `changes` found in words, a line each. Empty where nothing differs."""
    lines = [f"setting {one['key']}: {one['was']} to {one['is']}" for one in changes["settings"]]
    if changes["code"]:
        lines.append(f"code: {changes['code']['was']} to {changes['code']['is']}")
    for table, rows in changes["rows"].items():
        counts = ", ".join(f"{rows[outcome]} {outcome}" for outcome in OUTCOMES if rows[outcome])
        sites = [one["site_id"] for one in rows["where"] if one["site_id"]]
        where = f" ({', '.join(sites)})" if 0 < len(sites) <= SITES_NAMED else f" ({len(sites)} sites)" if sites else ""
        lines.append(f"{table.replace('_', ' ')}: {counts}{where}")
    lines += [f"grid {name} {outcome}" for outcome in OUTCOMES for name in changes["grids"][outcome]]
    return [*lines, *(f"{name}: no longer kept on both sides" for name in changes["unreadable"])]


SITES_NAMED = 5
"""So many sites are named in a line; of more, their number."""


def changed_values(was: dict[str, Any], now: dict[str, Any]) -> list[dict[str, Any]]:
    """Return the values that differ between two nested dictionaries.

    Key with dots, was, is (None where there is none).

    >>> changed_values({"grid": {"cell_m": 100}, "archive": "a"}, {"grid": {"cell_m": 50}, "archive": "b"})
    [{'key': 'grid.cell_m', 'was': 100, 'is': 50}]
    """
    one, other = _flat(was), _flat(now)
    # Where a day is kept is not what it is.
    keys = sorted((one.keys() | other.keys()) - {"archive"})
    return [{"key": k, "was": one.get(k), "is": other.get(k)} for k in keys if one.get(k) != other.get(k)]


def _flat(values: dict[str, Any], above: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, dict) and value:
            flat |= _flat(value, f"{above}{key}.")
        else:
            flat[f"{above}{key}"] = value
    return flat
