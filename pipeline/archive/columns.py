"""The columns of a published day's tables, and how a table of another version of this program is read by them."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
import pyarrow as pa

from snowtally.model.problems import FINDING_COLUMNS


@dataclass(frozen=True)
class Column:
    """One column of a table. Its kind is text, number, whole, flag or date.

    `decimals` None keeps a number as it is. `later` marks a column that was added after the first archives were written: their
    tables do not have it, and it is null for their rows. Every other one is required of every table there is.
    """

    name: str
    kind: str = "text"
    decimals: int | None = None
    later: bool = False


def _numbers(decimals: int, *names: str) -> tuple[Column, ...]:
    return tuple(Column(name, "number", decimals) for name in names)


def _texts(*names: str) -> tuple[Column, ...]:
    return tuple(Column(name) for name in names)


COLUMNS: dict[str, tuple[Column, ...]] = {
    "totals": (
        Column("basin_id"), Column("date", "date"), *_texts("level", "zone_id"), *_numbers(1, "band_low_m", "band_high_m"),
        # 1 m2 and 1 m3 are the steps of areas and volumes. Means have a digit more than a cell's, so that mean times
        # area gives the volume back to well below its error.
        *_numbers(6, "area_km2", "snow_area_km2"), *_numbers(2, "swe_mean_mm", "swe_se_mm"),
        *_numbers(0, "volume_m3", "volume_se_m3", "volume_p10_m3", "volume_p90_m3"),
        *_numbers(4, "depth_mean_m"), *_numbers(2, "density_mean_kg_m3"),
    ),
    "totals_covariance": (
        Column("zone_id"), *_numbers(1, "band_low_m"), Column("zone_id_2"), *_numbers(1, "band_low_m_2"),
        # Unrounded: a matrix rounded entry by entry need not be a covariance any more.
        Column("covariance_m6", "number"),
    ),
    "sites": (
        Column("site_id"), *_numbers(1, "x", "y", "elevation_m"), Column("inside", "flag"), *_numbers(1, "swe_mm", "swe_se_mm"),
        *_numbers(3, "depth_m"), *_numbers(1, "density_kg_m3"), *_numbers(0, "age_days"),
        *_numbers(1, "estimate_mm", "estimate_without_mm", "estimate_without_se_mm"), Column("used", "flag"), Column("reason"),
    ),
    "checks": tuple(Column(name, "whole") if name == "line" else Column(name) for name in FINDING_COLUMNS),
    "skill": (
        *_texts("model", "part"), Column("n", "whole"), *_numbers(3, "rmse", "bias", "r2", "crps"),
        *_numbers(3, "cover50", "cover90", "weight"),
    ),
    "normals": (
        *_texts("level", "site_id"), *_numbers(1, "swe_mm", "normal_mm"), *_numbers(0, "per_cent"), Column("period"),
    ),
    "outlook": (
        Column("basin_id"), Column("date", "date"), *_texts("level", "zone_id"), *_numbers(1, "band_low_m", "band_high_m"),
        # Volumes of zone-bands are whole cubic metres before they are added: those of zones, bands and the basin are
        # their sums.
        Column("day", "date"), *_numbers(2, "potential_melt_mm"), *_numbers(0, "potential_melt_m3", "potential_melt_se_m3"),
        *_numbers(2, "melt_mm", "melt_se_mm"), *_numbers(0, "melt_m3", "melt_se_m3", "new_snow_m3", "swe_left_m3"),
        *_numbers(6, "snow_area_km2", "snow_area_se_km2"),
        *(Column(name, "date") for name in ("melt_out_p10", "melt_out_p50", "melt_out_p90")),
    ),
}  # fmt: skip
"""The columns of each table of a published day, by the stem of its file.

To add a column, append it here with `later=True` and give the day's table its values: archives of before are read with
nulls (tests/archive/test_columns.py adds one).
"""

ARROW = {"text": pa.string(), "number": pa.float64(), "whole": pa.int64(), "flag": pa.bool_(), "date": pa.date32()}
"""The type of each kind of column in Parquet."""


def conformed(table: pa.Table, columns: tuple[Column, ...]) -> pa.Table:
    """Return a published table with the known columns first.

    Later ones null where it lacks them, unknown ones behind.

    Raises ValueError when a column is missing, stands twice or is of another type.
    """
    names = table.schema.names
    known = []
    for column in columns:
        kind, times = ARROW[column.kind], names.count(column.name)
        if times != 1 and not (times == 0 and column.later):
            raise ValueError(f"column {column.name} stands {times} times in it")
        values = table[column.name] if times else pa.nulls(table.num_rows, kind)
        if values.type != kind:
            raise ValueError(f"column {column.name} is of type {values.type}, not {kind}")
        known.append(values)
    unknown = [name for name in names if name not in {column.name for column in columns}]
    return pa.table([*known, *(table[name] for name in unknown)], [*(column.name for column in columns), *unknown])


def filled(table: pd.DataFrame, columns: tuple[Column, ...]) -> pd.DataFrame:
    """Return a table read from CSV with null for later columns. Raises ValueError when another column is missing."""
    missing = [column for column in columns if column.name not in table.columns]
    lacking = [column.name for column in missing if not column.later]
    if lacking:
        raise ValueError(f"it has no column {', '.join(lacking)}")
    empty = {c.name: pd.Series(float("nan") if c.kind in {"number", "whole"} else None, table.index,
                               float if c.kind in {"number", "whole"} else object) for c in missing}  # fmt: skip
    return table.assign(**empty)
