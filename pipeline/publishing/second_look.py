"""Published totals that jumped beyond what the sites' change and the error allow: kept to be looked at a second time.

Published entries are compared with each other after publishing, so nothing of this stands in a day's own numbers.
"""

from __future__ import annotations

import datetime as dt
import math
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from snowtally.model.problems import ArchiveError
from snowtally.publishing.dated_notes import dated_notes, write_dated_notes
from snowtally.publishing.staging import staged
from snowtally.reading import (
    archive_folder,
    basin_folder,
    basin_row,
    current_revision,
    dates_held,
    read_sites,
    revision_totals,
)
from snowtally.storage.locks import basin_lock

SECOND_LOOK = "second_look.json"
"""By date, the revision whose total jumped and the figures. Made of published entries."""

RULE = "jump of the total"

NEIGHBOUR_DAYS = 7
"""Totals further apart in time are not compared: a week's weather is not a jump."""

MAD_TO_SE = 1.4826
"""Median absolute deviation to standard deviation, for a normal distribution."""


@dataclass(frozen=True)
class Compared:
    """What is compared of a date.

    Parameters
    ----------
    total : the basin's row of the totals: date, swe_mean_mm, swe_se_mm.
    sites : its sites: site_id, swe_mm, used.
    """

    total: pd.Series
    sites: pd.DataFrame


def jump(before: Compared, after: Compared, most_se: float) -> str | None:
    """Return how the basin's mean SWE jumped, None when it did not.

    Parameters
    ----------
    most_se : so many standard errors may lie between the map's change and the sites'.

    The sites' change is the median over the sites used on both dates, its error that of a median of so many changes; with no
    site on both it is 0, and only the map's error counts. The map's error is the larger of both dates': an upper bound for the
    error of the change, as the errors of neighbouring dates go together (common practice, no source).
    """
    total_0, total_1 = before.total, after.total
    used_0, used_1 = (side.sites[side.sites["used"]] for side in (before, after))
    both = used_0.merge(used_1, on="site_id", suffixes=("_0", "_1"))
    changes = (both["swe_mm_1"] - both["swe_mm_0"]).dropna().to_numpy()
    site_change, error = (float(np.median(changes)), _median_se(changes)) if len(changes) else (0.0, 0.0)
    change = float(total_1["swe_mean_mm"] - total_0["swe_mean_mm"])
    allowed = most_se * math.hypot(max(float(total_0["swe_se_mm"]), float(total_1["swe_se_mm"])), error)
    if not abs(change - site_change) > allowed:
        return None
    return (
        f"{RULE}: the basin's mean SWE went from {total_0['swe_mean_mm']:.0f} to {total_1['swe_mean_mm']:.0f} mm ({change:+.0f}) "
        f"since {total_0['date']:%Y-%m-%d}, {len(changes)} sites by {site_change:+.0f} mm; {allowed:.0f} mm further apart would be allowed. "
        "Look at the new flight, the new courses and the checks of both dates"
    )


def _median_se(changes: np.ndarray) -> float:
    """Return the standard error of a median from its robust spread. 1.2533 times that of a mean (normal distribution)."""
    spread = MAD_TO_SE * float(np.median(np.abs(changes - np.median(changes))))
    return 1.2533 * spread / math.sqrt(len(changes))


def look_again(root: str | Path, basin: str, date: dt.date, most_se: float) -> str:
    """Return how a date's total jumped, "" when it did not, and note it. The date was just published or withdrawn.

    The dates that `leaning` names are judged again too, so that the outcome does not depend on the order of publishing, and a
    mark does not outlive what it was held against. Never raises for what cannot be read: the date is published, and that must
    be told.
    """
    with suppress(ArchiveError, OSError, KeyError, ValueError):
        archive = archive_folder(root)
        with staged(archive, basin) as work, basin_lock(archive, basin):
            marked = _noted(archive, basin)
            held = dates_held(archive, basin)
            for day in [date, *leaning(archive, basin, date)]:
                marked.pop(day, None)
                marks = _judge(archive, basin, day, held, most_se)
                if marks is not None:
                    marked[day] = marks
            path = basin_folder(archive, basin) / SECOND_LOOK
            if marked or path.exists():
                write_dated_notes(path, marked, work)
            return marked.get(date, {}).get("why", "")
    return ""


def leaning(root: str | Path, basin: str, date: dt.date) -> list[dt.date]:
    """Return the later dates whose judgement may rest on a date.

    Those up to the first that stands, within `NEIGHBOUR_DAYS`.

    Raises ArchiveError when there is no such archive or basin.
    """
    dates = []
    for day in dates_held(root, basin):
        if 0 < (day - date).days <= NEIGHBOUR_DAYS:
            dates.append(day)
            if current_revision(root, basin, day) is not None:
                break
    return dates


def _judge(archive: Path, basin: str, date: dt.date, held: list[dt.date], most_se: float) -> dict | None:
    current = current_revision(archive, basin, date)
    if current is None:
        return None
    for day in reversed([day for day in held if 0 < (date - day).days <= NEIGHBOUR_DAYS]):
        earlier = current_revision(archive, basin, day)
        if earlier is not None:
            before, after = (
                Compared(basin_row(revision_totals(r.path)), read_sites(archive, basin, r.date, r.number))
                for r in (earlier, current)
            )
            why = jump(before, after, most_se)
            return None if why is None else {"revision": current.number, "why": why}
    return None


def second_looks(root: str | Path, basin: str) -> dict[dt.date, str]:
    """Return the dates marked for a second look, with the reason. Their marked revision is current."""
    reasons = {}
    for date, noted in sorted(_noted(root, basin).items()):
        current = current_revision(root, basin, date)
        if current is not None and current.number == noted["revision"]:
            reasons[date] = noted["why"]
    return reasons


def _noted(root: str | Path, basin: str) -> dict[dt.date, dict]:
    return dated_notes(basin_folder(root, basin) / SECOND_LOOK, {"revision": int, "why": str})
