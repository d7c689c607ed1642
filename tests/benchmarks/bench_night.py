"""A whole night of a large basin: 250 sites, 1.6 million cells, a flight of a month before, nothing new but a day's rows.

Each night is a command in a process of its own, as the operations team runs it: imports, reading, checking, the estimate with its
errors, the outlook, the archive and the pages are all in it. The first night also measures the flight and fills the caches.
"""

from __future__ import annotations

import itertools
import json
import os
import re
import resource
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from pyproj import Transformer
from timing import Figure, no_more_than

ROOT = Path(__file__).parents[2]
SITES, ROWS, COLUMNS, CELL_M, MARGIN = 250, 1280, 1250, 100.0, 10
LEFT, TOP, CRS = 500_000.0, 4_880_000.0, "EPSG:32625"
START, FLOWN, NIGHTS = "2030-10-01", "2031-03-20", ("2031-04-18", "2031-04-19")
RUN = "from snowtally.cli.main import main; main()"


@dataclass(frozen=True)
class Night:
    """What a night took: CPU seconds of all its processes, and the greatest resident memory of its own, MB."""

    cpu_s: float
    peak_mb: float


def figures(folder: Path) -> list[Figure]:
    """Return CPU seconds and memory of the night after the first."""
    home = folder / "night"
    home.mkdir()
    _write(home)
    first, second = (_night(home, date) for date in NIGHTS)
    path = f"night, {SITES} sites, {ROWS * COLUMNS / 1e6:.1f} million cells"
    return [
        Figure(f"{path}, the first, with its flight: CPU seconds", f"{first.cpu_s:.1f} s"),
        no_more_than(f"{path}, nothing new: CPU seconds", second.cpu_s, 40.0, "s"),
        no_more_than("its peak memory", second.peak_mb, 3000.0, "MB"),
    ]


def _night(home: Path, date: str) -> Night:
    """Return what a night took, by what the kernel counts of the command's children."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = [sys.executable, "-c", RUN, "update", str(home / "basin.yaml"), "--date", date, "--json"]
    paths = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))
    told = home / "peak.txt"
    # The command tells its own peak: what the kernel counts of children is the most of all that there were.
    peak = f"import atexit, pathlib; atexit.register(lambda: pathlib.Path({str(told)!r}).write_text(open('/proc/self/status').read()))\n"
    words[2] = peak + RUN
    done = subprocess.run(
        words, cwd=home, env=os.environ | {"PYTHONPATH": paths}, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(f"{date}: status {done.returncode}: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return Night(used, int(re.search(r"VmHWM:\s+(\d+) kB", told.read_text("ascii"))[1]) / 1000)


def _height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    row, column = (TOP - y) / CELL_M, (x - LEFT) / CELL_M
    return 1500.0 + 1.2 * column + 160.0 * np.sin(row / 12.0) * np.cos(column / 9.0)


def _write(home: Path) -> None:
    """Write the basin's grids, zones, tables and settings."""
    columns, rows = np.arange(-MARGIN, COLUMNS + MARGIN), np.arange(-MARGIN, ROWS + MARGIN)
    x, y = LEFT + (columns + 0.5) * CELL_M, TOP - (rows + 0.5) * CELL_M
    height = _height(x[None, :], y[:, None])
    corner = Affine(CELL_M, 0, x[0] - CELL_M / 2, 0, -CELL_M, y[0] + CELL_M / 2)
    rough = np.random.default_rng(2).lognormal(-0.045, 0.3, height.shape)
    grids = {
        "elevation": height,
        "canopy": 0.3 * (np.sin(columns / 5.0) > 0) + 0 * height,
        "depth": np.maximum(height - 1500.0, 0.0) / 700.0 * rough,
    }
    for name, values in grids.items():
        profile = {"driver": "GTiff", "height": len(y), "width": len(x), "count": 1, "dtype": "float32", "crs": CRS}
        with rasterio.open(home / f"{name}.tif", "w", transform=corner, nodata=-9999, **profile) as to:
            to.write(values.astype("f4"), 1)
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    _write_zones(home, to_degrees)
    _write_tables(home, to_degrees)
    (home / "flights.csv").write_text(f"flight_id,date,depth\nF1,{FLOWN},depth.tif\n", "utf-8")
    (home / "basin.yaml").write_text(
        "basin: {id: large, title: Large basin, zones: zones.geojson, utc_offset_hours: -2, margin_m: 500}\n"
        f"grid: {{crs: '{CRS}', cell_m: {CELL_M:g}}}\nbands: {{width_m: 100}}\n"
        "terrain: {elevation: elevation.tif, canopy: canopy.tif}\narchive: archive\n"
        "inputs: {sites: sites.csv, courses: courses.csv, stations: stations.csv, flights: flights.csv, weather: weather.csv}\n",
        "utf-8",
    )


def _write_zones(home: Path, to_degrees: Transformer) -> None:
    """Write eight zones side by side, their edges dense enough to stay straight on the grid."""
    edges = np.linspace(LEFT, LEFT + COLUMNS * CELL_M, 9)
    north = np.linspace(TOP, TOP - ROWS * CELL_M, 50)
    zones = []
    for number, (west, east) in enumerate(itertools.pairwise(edges)):
        x = np.concatenate([np.full(50, west), np.full(50, east), [west]])
        y = np.concatenate([north, north[::-1], [north[0]]])
        ring = np.column_stack(to_degrees.transform(x, y)).tolist()
        geometry = {"type": "Polygon", "coordinates": [ring]}
        name = {"zone_id": f"z{number}", "name": f"Zone {number}"}
        zones.append({"type": "Feature", "properties": name, "geometry": geometry})
    (home / "zones.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": zones}), "utf-8")


def _write_tables(home: Path, to_degrees: Transformer) -> None:
    """Write sites, courses' cores and stations' days, half of the sites each, and the weather with days to come."""
    rng = np.random.default_rng(1)
    x, y = LEFT + COLUMNS * CELL_M * rng.random(SITES), TOP - ROWS * CELL_M * rng.random(SITES)
    longitude, latitude = to_degrees.transform(x, y)
    height, names = _height(x, y), [f"S{k:03d}" for k in range(SITES)]
    station = np.arange(SITES) % 2 == 1
    kind = np.where(station, "station", "course")
    table = {
        "site_id": names,
        "name": "",
        "kind": kind,
        "longitude": longitude,
        "latitude": latitude,
        "elevation_m": height,
    }
    pd.DataFrame(table).to_csv(home / "sites.csv", index=False)
    days = pd.date_range(START, NIGHTS[-1])
    fall = rng.gamma(0.3, 8, len(days)) * (rng.random(len(days)) < 0.5)
    air = 2.0 - 9.0 * np.sin(np.pi * np.arange(len(days)) / len(days)) + rng.normal(0, 2, len(days))
    at_sites = air[:, None] - 6.5 * (height - 2200.0) / 1000.0
    gathered = np.cumsum(np.where(at_sites < 1.0, fall[:, None], -3.0 * np.maximum(at_sites, 0.0)), axis=0)
    swe = np.maximum(gathered - np.minimum.accumulate(np.minimum(gathered, 0.0)), 0.0) * rng.lognormal(0, 0.2, SITES)
    stations = pd.DataFrame(
        {
            "site_id": np.repeat(np.array(names)[station], len(days)),
            "time": np.tile(days.strftime("%Y-%m-%d"), station.sum()),
            "swe_mm": swe[:, station].T.ravel().round(1),
            "depth_cm": (swe[:, station].T.ravel() / 3.2).round(1),
            "air_temperature_c": at_sites[:, station].T.ravel().round(1),
            "precipitation_mm": np.tile(fall.round(1), station.sum()),
        }
    )
    stations.to_csv(home / "stations.csv", index=False)
    cores = [
        {
            "site_id": names[k],
            "date": f"{days[day]:%Y-%m-%d}",
            "point": point,
            "depth_cm": round(swe[day, k] / 3.2 * rng.normal(1, 0.05), 1),
            "swe_mm": round(swe[day, k] * rng.normal(1, 0.05), 0),
        }
        for k in np.flatnonzero(~station)
        for day in range(92, len(days), 30)
        for point in range(1, 7)
        if swe[day, k] > 20
    ]
    pd.DataFrame(cores).to_csv(home / "courses.csv", index=False)
    ahead = pd.date_range(START, periods=len(days) + 10)
    warm = np.concatenate([air, np.full(10, 6.0)])
    weather = {
        "date": ahead.strftime("%Y-%m-%d"), "elevation_m": 2200, "solar_mj_m2": 18.0,
        "air_temperature_c": warm.round(1),
        "precipitation_mm": np.concatenate([fall, np.zeros(10)]).round(1),
        "issued": np.minimum(ahead, pd.Timestamp(NIGHTS[0])).strftime("%Y-%m-%d"),
    }  # fmt: skip
    pd.DataFrame(weather).to_csv(home / "weather.csv", index=False)
