"""What nothing safe can be proposed for in a group of files.

Lacking, doubled and unknown columns, and gaps.
"""

from __future__ import annotations

from collections.abc import Container, Sequence

import numpy as np

from snowtally.proposals.doubtful import doubtful_columns, is_accumulated, strange_columns
from snowtally.proposals.group_state import Group
from snowtally.proposals.header_phrases import PHRASES
from snowtally.proposals.headers_known import meanings
from snowtally.proposals.seen_columns import LEAST_FIT, SeenColumn
from snowtally.proposals.table_keys import READINGS

HARMLESS = frozenset({"name", "remark", "sampler"})
"""Keys of which the likelier of two columns may be taken: nothing is computed from them."""


FILLED = 0.5
"""Share of a table's rows with a site and a day, at least: fewer are the first rows of visits (chosen: a visit has several points)."""


def refuse_unplaced(group: Group) -> bool:
    """Refuse readings side by side whose headers name no site of a list; return whether they stand so."""
    if group.role.role != "stations" or "site_id" not in group.role.lacks or "site_id" in group.outside:
        return False
    columns = [column for column in group.seen.columns if column.header and column.cells.is_numeric]
    same = [one.header for one in columns if any(_is_same_reading(one, other) for other in columns)]
    if len(same) * 2 < len(columns) or not same:
        return False
    group.refuse(
        "",
        f"it looks like stations side by side ({len(same)} columns such as '{same[0]}' and '{same[-1]}'), but no list of sites "
        "has the names or identifiers in its headers",
        "Write the names that stand here into the list of sites, in a column name, or its identifiers into these headers; "
        "where all are of one station, add a column site_id",
    )
    return True


def _is_same_reading(one: SeenColumn, other: SeenColumn) -> bool:
    """Return whether two headers have a reading in common at one end, and words of no meaning at the other."""
    for step in (1, -1):
        mine, its = one.words.words[::step], other.words.words[::step]
        many = next((at for at, (a, b) in enumerate(zip(mine, its, strict=False)) if a != b), min(len(mine), len(its)))
        rest = [words[many:][::step] for words in (mine, its)]
        if all(rest) and _means(mine[:many][::step], READINGS) and not any(_means(words, PHRASES) for words in rest):
            return True
    return False


def _means(words: tuple[str, ...], among: Container[str]) -> bool:
    return any(key in among and share >= LEAST_FIT for key, share in meanings(words).items())


def refuse_doubts(group: Group) -> None:
    """Refuse what is lacking, and columns that stand for the same key."""
    role = group.role.role
    for lacking in group.role.lacks:
        if lacking in group.outside:
            continue
        group.refuse(
            "",
            f"it looks like {role} ({group.role.evidence}), but no column is recognised as {lacking}"
            + (f" among {', '.join(repr(h) for h in group.tables[0].header if h)}" if group.tables[0].header else ""),
            f"Head the column {group.canonical(lacking)}, or declare it under columns.{role}",
        )
    for doubt in group.reshaped.doubts if group.reshaped else ():
        group.refuse("", doubt, f"Declare it under formats.{role}")
    others = group.role.columns.others if group.role.columns else {}
    for key, other in others.items():
        if key in HARMLESS:
            continue
        one = group.columns[key]
        group.refuse(
            one.header,
            f"'{one.header}' and '{other.header}' may both be {key}",
            f"Name the right one as {{column: ...}} under columns.{role}.{key}",
            key,
        )
    heads = [column.header.casefold() for column in group.seen.columns]
    for key, column in group.columns.items():
        if key not in group.spread and column.header and heads.count(column.header.casefold()) > 1:
            group.refuse(
                column.header, f"the header stands twice, and one of them is {key}", "Name the two differently"
            )


def refuse_gaps(group: Group) -> None:
    """Refuse a table in which site or day stands in the first row of a visit alone: the other rows would be lost."""
    for key in ("site_id", "date", "time"):
        cells = group.columns[key].cells if key in group.columns else None
        if group.role.role not in ("courses", "stations") or cells is None or not cells.texts:
            continue
        if cells.texts[0] and len(cells.filled) < FILLED * len(cells.texts):
            group.refuse(
                group.columns[key].header,
                f"{len(cells.filled)} of {len(cells.texts)} rows have a {key.removesuffix('_id')}: it seems to stand in the first row "
                "of each visit alone",
                "Write it into every row",
            )


def ask_for_strange(group: Group, days: np.ndarray | None) -> None:
    """Take columns whose values alone tell what they are as questions.

    Refuse where there are several, or none is like.
    """
    left = group.role.columns.left if group.role.columns and group.reshaped is None else ()
    for key, columns in doubtful_columns(group.role.role, left, group.surveyed(days)).items():
        if len(columns) > 1:
            headers = " and ".join(f"'{column.header}'" for column in columns)
            group.refuse(
                columns[0].header, f"{headers} may both be {key}", f"Head the right one {group.canonical(key)}"
            )
            continue
        group.columns[key] = columns[0]
        group.doubted = group.doubted | {key}
    _refuse_parts(group, left)
    if group.role.role != "courses":
        return
    strange = [column for column in strange_columns(left) if column not in group.columns.values()]
    for keys in group.table.expects:
        if strange and not set(keys) & set(group.columns):
            headers = ", ".join(f"'{column.header}'" for column in strange)
            group.refuse(
                strange[0].header,
                f"no column is recognised as {' or '.join(keys)}, and nothing tells what stands under {headers}",
                f"Head the column {group.canonical(' or '.join(keys))}, or declare it under columns.{group.role.role}",
            )


def rain_by_values(group: Group) -> None:
    """Refuse amounts and totals of precipitation that are headed as the other.

    Headers say both by the same words.
    """
    sites = group.site_texts()
    for key, total in (("precipitation", False), ("precipitation_total", True)):
        column = group.columns.get(key)
        if column is None:
            continue
        is_total = is_accumulated(column.cells.numbers, sites or ("",) * len(column.cells.numbers))
        if is_total is None or is_total == total:
            continue
        other = "precipitation" if total else "precipitation_total"
        if other in group.columns or group.reshaped is not None or column.header.casefold() == group.canonical(key):
            what = "the amount of each reading" if total else "a total that is counted up"
            group.refuse(
                column.header,
                f"it is headed as {group.canonical(key)}, but its values are {what}",
                f"Head it {group.canonical(other)}, or mend its values",
            )
            continue
        group.columns = {(other if one == key else one): held for one, held in group.columns.items()}
        return


def _refuse_parts(group: Group, left: Sequence[SeenColumn]) -> None:
    """Refuse a table of which a column that belongs to others is not recognised."""
    role, strange = (
        group.role.role,
        [column for column in strange_columns(left) if column not in group.columns.values()],
    )
    lost: list[SeenColumn] = []
    if role == "flights":
        lost = [column for column in left if column.cells.is_paths]
    elif (role == "weather" and any(column.key not in group.columns for column in group.table.columns)) or (
        role == "courses"
        and strange
        and {"mass_empty", "cutter"} & set(group.columns)
        and "mass_full" not in group.columns
    ):
        lost = strange
    for column in lost:
        group.refuse(
            column.header,
            f"nothing tells which column of {role} it is",
            f"Head it by one of {', '.join(one.header for one in group.table.columns if one.key not in group.columns)}, "
            f"declare it under columns.{role}, or take it out",
        )


def weights_alone(group: Group) -> None:
    """Leave weights out where SWE stands beside each, and refuse them where nothing tells the cutter's area."""
    if "mass_full" not in group.columns or "cutter" in group.columns:
        return
    full = group.columns["mass_full"].cells.numbers
    if "swe" in group.columns and not (np.isfinite(full) & np.isnan(group.columns["swe"].cells.numbers)).any():
        group.columns = {key: column for key, column in group.columns.items() if not key.startswith("mass_")}
        return
    group.refuse(
        group.columns["mass_full"].header,
        "cores are weighed, but no column tells the cutter's area",
        "Declare it as columns.courses.cutter: {constant: 11.2, unit: cm**2}, with the area of your own cutter",
    )
