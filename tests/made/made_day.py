"""A made-up basin day of any size, with totals that follow from its grid: for the tests of what is written."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr
from pyproj import CRS

from snowtally.model.day import Day
from snowtally.model.grid import BasinGrid
from snowtally.model.metadata import Licence, Metadata, Party
from snowtally.model.problems import Finding, findings_table
from snowtally.model.rules.rule import Severity
from snowtally.model.rules.stations import FLAT_LINE

METADATA = Metadata(
    institution="Larkmoor Snow Office",
    naming_authority="org.example.larkmoor",
    creator=Party(name="Øvre desk", email="snow@example.org", url="https://example.org/snow"),
    contact=Party(name="Survey desk", email="survey@example.org", url="https://example.org"),
    licence=Licence(id="CC-BY-4.0", url="https://example.org/terms"),
    project="Nightly snow",
    acknowledgement="Made up.",
)
ZONES = [("north", "Øvre Fläche, 北"), ("south", "Lower Moor"), ("empty", "Lower Moor")]
BANDS = [(1800.0, 2000.0), (2000.0, 2200.0), (2200.0, 2400.0)]


def made_day(
    date: str = "2031-03-01", height: int = 30, width: int = 40, extra_mm: float = 0.0, basin: str = "larkmoor"
) -> Day:
    """Return a day of an oval basin; `extra_mm` is added to the SWE, so that two days or revisions can be told apart."""
    grid = BasinGrid(CRS("EPSG:32625"), 100.0, 512_000.0, 4_880_000.0, width, height)
    day = dt.date.fromisoformat(date)
    fields = _fields(grid, extra_mm)
    return Day(
        basin_id=basin, title="Larkmoor Fork above Hallow gauge", date=day,
        noon_utc=dt.datetime.combine(day, dt.time(14)), grid=grid, zones=ZONES, bands=BANDS, fields=fields,
        totals=_totals(fields, basin, day), totals_covariance=_covariance(), sites=_sites(), checks=_checks(), skill=_skill(),
        models={"density": {"model": "made up", "slope": np.float64(0.25), "n": np.int64(7), "range_m": float("nan")}},
        error_budget={"density": 0.75, "blend": 0.25}, metadata=METADATA,
    )  # fmt: skip


def _fields(grid: BasinGrid, extra_mm: float) -> xr.Dataset:
    row, column = np.meshgrid(np.linspace(-1, 1, grid.height), np.linspace(-1, 1, grid.width), indexing="ij")
    radius = np.hypot(row, 0.9 * column + 0.1 * row)
    area = np.where(radius < 0.9, 10_004.321, np.where(radius < 1.0, 3_210.987, np.nan))
    inside = np.isfinite(area)
    elevation = 2100 + 250 * row - 30 * column
    rng = np.random.default_rng(31)
    swe = np.clip(300 + 200 * row + 50 * column + rng.normal(0, 20, grid.shape), 0, None)
    swe = np.where(swe < 150, 0.0, swe + extra_mm)
    density = np.where(swe > 0, 320 + 40 * column, np.nan)
    source = np.where(swe == 0, 3, np.where(column > 0, 1, 2))
    band = np.clip((elevation - 1800) // 200, 0, 2).astype(int) + 1
    zone = np.where(row < 0.1, 1, 2)
    measures = {
        "swe": swe, "swe_se": 20 + 0.1 * swe, "swe_p10": 0.8 * swe, "swe_p90": 1.25 * swe,
        "depth": np.where(swe > 0, swe / (320 + 40 * column), 0.0), "depth_se": 0.08 + 0.01 * row,
        "density": density, "density_se": np.where(swe > 0, 25 + column, np.nan),
        "snow_cover": np.where(swe > 0, 1.0, 0.0), "elevation": elevation, "cell_area": area,
    }  # fmt: skip
    classes = {"source": source, "zone": zone, "elevation_band": band}
    fields = {name: grid.array(np.where(inside, values, np.nan)) for name, values in measures.items()}
    fields |= {name: grid.array(np.where(inside, values, 0)) for name, values in classes.items()}
    return xr.Dataset(fields)


def _totals(fields: xr.Dataset, basin: str, day: dt.date) -> pd.DataFrame:
    cells = fields.to_dataframe()
    cells = cells[cells["zone"] > 0].assign(whole=0)
    cells["volume"] = cells["swe"] * cells["cell_area"] / 1000
    cells["depth_volume"] = cells["depth"] * cells["cell_area"]
    cells["snow_area"] = cells["snow_cover"] * cells["cell_area"]
    keys = {"basin": "whole", "zone": "zone", "band": "elevation_band", "zone_band": ["zone", "elevation_band"]}
    rows = []
    for level, key in keys.items():
        for _, group in cells.groupby(key):
            area, volume = group["cell_area"].sum(), group["volume"].sum()
            depth = group["depth_volume"].sum() / area
            low, high = BANDS[int(group["elevation_band"].iloc[0]) - 1]
            in_band = level in {"band", "zone_band"}
            rows.append({
                "basin_id": basin, "date": day, "level": level,
                "zone_id": ZONES[int(group["zone"].iloc[0]) - 1][0] if level in {"zone", "zone_band"} else "",
                "band_low_m": low if in_band else np.nan, "band_high_m": high if in_band else np.nan,
                "area_km2": area / 1e6, "snow_area_km2": group["snow_area"].sum() / 1e6,
                "swe_mean_mm": 1000 * volume / area, "swe_se_mm": 100 * volume / area, "volume_m3": volume,
                "volume_se_m3": 0.1 * volume, "volume_p10_m3": 0.87 * volume, "volume_p90_m3": 1.13 * volume,
                "depth_mean_m": depth, "density_mean_kg_m3": 1000 * volume / area / depth if depth > 0 else np.nan,
            })  # fmt: skip
    return pd.DataFrame(rows)


def _covariance() -> pd.DataFrame:
    parts = [(zone, low) for zone in ("north", "south") for low, _ in BANDS]
    rows = [
        (zone, low, zone_2, low_2, 1.25e9 if (zone, low) == (zone_2, low_2) else 0.1e9 / 3)
        for zone, low in parts for zone_2, low_2 in parts
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["zone_id", "band_low_m", "zone_id_2", "band_low_m_2", "covariance_m6"])


def _sites() -> pd.DataFrame:
    common = {
        "x": 513_000.04,
        "y": 4_879_000.06,
        "elevation_m": 2011.26,
        "estimate_mm": 251.04,
        "estimate_without_mm": 240.06,
    }
    common |= {"estimate_without_se_mm": 33.33, "age_days": 0}
    return pd.DataFrame([
        {"site_id": "NA", "inside": True, "swe_mm": 255.55, "swe_se_mm": 12.0, "depth_m": 0.8123, "density_kg_m3": 314.6,
         "used": True, "reason": "", **common},
        {"site_id": "007", "inside": False, "swe_mm": np.nan, "swe_se_mm": np.nan, "depth_m": np.nan, "density_kg_m3": np.nan,
         "used": False, "reason": "silent, for 3 days", **common},
    ])  # fmt: skip


def _checks() -> pd.DataFrame:
    return findings_table([
        Finding(replace(FLAT_LINE, severity=Severity.WARNING), "stations", "station_records.csv", 12, "007", evidence="48 h at 210 mm",
                detail='The sensor says "stuck", look at it.'),
    ])  # fmt: skip


def _skill() -> pd.DataFrame:
    columns = ["model", "part", "n", "rmse", "bias", "r2", "crps", "cover50", "cover90", "weight"]
    return pd.DataFrame([("kriging", "blend", 12, 33.3333, -1.5, 0.81, 20.1, 0.5, 0.92, 0.7)], columns=columns)
