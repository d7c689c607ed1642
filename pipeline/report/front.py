"""What the archive's front page tells of each basin: its newest day, from that day's files and the days it is compared with.

Nothing here grows with the dates that the archive holds.
"""

from __future__ import annotations

import datetime as dt
import json
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio.features
import shapely
from affine import Affine
from pyproj import Transformer

from snowtally.inspection.change_error import Change, change
from snowtally.model.problems import ArchiveError
from snowtally.publishing.stac import ITEM
from snowtally.reading import archive_folder, basin_folder, find_revision, is_basin, open_day
from snowtally.report.day_tables import basin_normal
from snowtally.report.notices import lacking
from snowtally.report.published import normals_of
from snowtally.report.since import Since, flown, last_before, rounds, survey_dates, totals_of, totals_on

LATEST = "latest.json"

OUTLINE_CELLS = 60
"""An outline has so many cells each way at most: finer than its small map shows."""


@dataclass(frozen=True)
class BasinNow:
    """The newest day of a basin.

    Parameters
    ----------
    basin, title : which.
    date : its newest day with a current revision, None where it has none or cannot be read.
    units : name of the units of its pages.
    whole : the basin's row of that day's totals, None without a day.
    a_day : change since the day before; None where the archive lacks it.
    survey : the last flight or round of courses before the day; since_survey : the change since it.
    per_cent, period : of normal, and the normal's years; None and empty without one.
    lacking : what a degraded day lacks, in words; empty for a sound one.
    trouble : why it cannot be told, empty as a rule.
    """

    basin: str
    title: str
    date: dt.date | None = None
    units: str = "metric"
    whole: pd.Series | None = None
    a_day: Change | None = None
    survey: Since | None = None
    since_survey: Change | None = None
    per_cent: float | None = None
    period: str = ""
    lacking: str = ""
    trouble: str = ""


def basins(root: str | Path) -> list[str]:
    """Return the basins of an archive, in order. Raises ArchiveError without an archive."""
    folder = archive_folder(root)
    return sorted(path.name for path in folder.iterdir() if is_basin(path.name) and (path / LATEST).exists())


def basin_now(root: str | Path, basin: str) -> BasinNow:
    """Return what the newest day of a basin says. Never raises for what cannot be read: `trouble` says so."""
    try:
        newest = newest_date(root, basin)
        return BasinNow(basin, basin) if newest is None else _of_day(root, basin, newest)
    except (ArchiveError, OSError, ValueError, KeyError, TypeError, IndexError) as trouble:
        return BasinNow(basin, basin, trouble=" ".join(str(trouble).split()))


def newest_date(root: str | Path, basin: str) -> dt.date | None:
    """Return the newest date with a current revision, by `latest.json`. None without one."""
    said = json.loads((basin_folder(root, basin) / LATEST).read_text("utf-8"))["date"]
    return None if said is None else dt.date.fromisoformat(said)


def _of_day(root: str | Path, basin: str, date: dt.date) -> BasinNow:
    now = totals_of(find_revision(root, basin, date))
    before = totals_on(root, basin, date - dt.timedelta(days=1))
    surveys = [
        last_before(root, basin, date, "flight", flown(now.record)),
        last_before(root, basin, date, "courses", rounds(survey_dates(root, basin, date, now.record))),
    ]
    survey = max((one for one in surveys if one), key=lambda one: one.survey, default=None)
    of_basin = basin_normal(normals_of(now.revision.path)) or {}
    return BasinNow(
        basin, now.record["title"], date, now.record["settings"].get("report", {}).get("units", "metric"), now.whole,
        a_day=None if before is None else change(now, before),
        survey=survey, since_survey=None if survey is None or survey.day is None else change(now, survey.day),
        per_cent=of_basin.get("per_cent"), period=of_basin.get("period", ""),
        lacking="; ".join(one["words"].rstrip(".") for one in lacking(now.record)),
    )  # fmt: skip


def outline(root: str | Path, basin: str, date: dt.date) -> list[np.ndarray]:
    """Return the rings of a basin's outline, (n, 2) longitude and latitude in degrees, as fine as its small map shows.

    It is that of the day's catalogue item. An older item has the box around the grid alone, one over the antimeridian two boxes:
    there it is drawn from the grid.
    """
    with suppress(OSError, ValueError, KeyError, TypeError, AttributeError, shapely.errors.ShapelyError):
        item = json.loads((find_revision(root, basin, date).path / ITEM).read_text("utf-8"))
        west, south, east, north = item["bbox"]
        # Items have the outline since there is this file.
        if "zones.parquet" in item["assets"] and west < east:
            geometry = shapely.geometry.shape(item["geometry"])
            fine = max(east - west, north - south) / (2 * OUTLINE_CELLS)
            return [shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.simplify(geometry, fine))]
    return _outline_of_grid(root, basin, date)


def _outline_of_grid(root: str | Path, basin: str, date: dt.date) -> list[np.ndarray]:
    with open_day(root, basin, date) as day:
        stride = max(1, -(-max(day.sizes["y"], day.sizes["x"]) // OUTLINE_CELLS))
        shown = day["zone"].isel(y=slice(None, None, stride), x=slice(None, None, stride))
        inside = np.nan_to_num(shown.to_numpy().squeeze()) > 0
        step = float(day["crs"].attrs["GeoTransform"].split()[1]) * stride
        corner = Affine.translation(float(shown["x"][0]) - step / 2, float(shown["y"][0]) + step / 2)
        to_degrees = Transformer.from_crs(day["crs"].attrs["spatial_ref"], "EPSG:4326", always_xy=True)
    shapes = rasterio.features.shapes(inside.astype(np.uint8), inside, transform=corner * Affine.scale(step, -step))
    rings = [np.array(ring) for shape, _ in shapes for ring in shape["coordinates"]]
    return [np.column_stack(to_degrees.transform(ring[:, 0], ring[:, 1])) for ring in rings]
