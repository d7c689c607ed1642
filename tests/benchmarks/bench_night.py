"""Whole nights of a large basin, as the operations team runs them, each a command in a process of its own.

1.6 million cells of 50 m, 60 hourly stations and 190 courses with ten earlier seasons, flights of 330 million pixels. Imports,
reading, checking, the estimate with its errors, the outlook, the archive and the pages are all in it. The first night measures
four flights and fills the caches; the next has a day's new rows; a flight day has one raster more; a past date is run again after
a late visit. Stages are shares of the wall time.
"""

from __future__ import annotations

import itertools
import json
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import rasterio
from affine import Affine
from command import taken_by
from flight_rasters import STRIP, write_strips
from pyproj import Transformer
from timing import Figure, no_more_than

COURSES, STATIONS, EARLIER = 190, 60, 10
SITES, ROWS, COLUMNS, CELL_M, MARGIN = COURSES + STATIONS, 1280, 1250, 50.0, 10
PIXEL_M = 3.5
LEFT, TOP, CRS = 500_000.0, 4_880_000.0, "EPSG:32625"
START, NIGHTS = "2030-10-01", ("2031-04-17", "2031-04-18", "2031-04-19")
FLOWN = {"2031-01-20": 0.5, "2031-02-20": 0.75, "2031-03-20": 1.0, "2031-04-10": 1.1, NIGHTS[2]: 1.05}
"""Depth of each flight's snow as a share of the deepest usual one, by day; the last flight comes in on its own night."""

STAGES = """
import atexit, json, pathlib, time
from snowtally.operations import run
began, whole = [["start", time.time()]], run._update
def update(settings, date, stage, how):
    return whole(settings, date, lambda name: (began.append([name, time.time()]), stage(name)), how)
run._update = update
atexit.register(lambda: pathlib.Path("stages.json").write_text(json.dumps({"began": began, "end": time.time()})))
"""
"""Notes when each stage of a night begins."""


@dataclass(frozen=True)
class Size:
    """How much a basin has: cells down and across, earlier seasons of courses, and flights as `FLOWN` has them."""

    rows: int = ROWS
    columns: int = COLUMNS
    earlier: int = EARLIER
    flown: Mapping[str, float] = field(default_factory=lambda: FLOWN)


LARGE = Size()


@dataclass(frozen=True)
class Night:
    """What a night took: CPU seconds of all its processes, wall seconds, its own greatest resident memory, MB, and stages' shares."""

    cpu_s: float
    wall_s: float
    peak_mb: float
    shares: str


def figures(folder: Path) -> list[Figure]:
    """Return CPU seconds and memory of the nights, with their goals."""
    home = folder / "night"
    home.mkdir()
    basin = Basin(home)
    path = f"night, {SITES} sites, {ROWS * COLUMNS / 1e6:.1f} million cells"
    rows, nights, arrived = [], [], ""
    for words, date, command, cpu_s, peak_mb in (
        ("the first, with four flights", NIGHTS[0], "update", 60.0, None),
        ("the next, nothing new but a day's rows", NIGHTS[1], "update", 20.0, 2500.0),
        ("a flight day, one raster more", NIGHTS[2], "update", None, None),
        ("a past date run again, one visit more", NIGHTS[0], "rerun", None, None),
    ):
        basin.arrive(max(date, arrived), late=command == "rerun")
        arrived = date
        night = night_of(home, command, date)
        nights.append(night)
        rows += [
            _bounded(f"{path}, {words}: CPU seconds", night.cpu_s, cpu_s, "s"),
            _bounded("its peak memory", night.peak_mb, peak_mb, "MB"),
            Figure(f"its wall time, {night.shares}", f"{night.wall_s:.1f} s"),
        ]
    _, following, flown, _ = nights
    more_s = max(flown.cpu_s - following.cpu_s, 0.0)
    return [
        *rows,
        no_more_than("what the flight day takes more than the night before it: CPU seconds", more_s, 15.0, "s"),
    ]


def _bounded(path: str, value: float, goal: float | None, unit: str) -> Figure:
    return Figure(path, f"{value:.3g} {unit}") if goal is None else no_more_than(path, value, goal, unit)


def night_of(home: Path, command: str, date: str) -> Night:
    """Return what a night took, by what the kernel counts of the command's children."""
    words = [command, str(home / "basin.yaml"), "--date", date, "--json"]
    words += ["--reason", "a late visit"] if command == "rerun" else []
    began = time.time()
    taken = taken_by(home, *words, beside=STAGES)
    told = json.loads((home / "stages.json").read_text("utf-8"))
    stages = [["imports and start", began], *told["began"][1:], ["", told["end"]]]
    parts = [f"{name} {100 * (end - at) / taken.wall_s:.0f} %" for (name, at), (_, end) in itertools.pairwise(stages)]
    return Night(taken.cpu_s, taken.wall_s, taken.peak_mb, ", ".join(parts))


def _height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    row, column = (TOP - y) / CELL_M, (x - LEFT) / CELL_M
    return 1500.0 + 1.2 * column + 160.0 * np.sin(row / 12.0) * np.cos(column / 9.0)


class Basin:
    """A made basin whose files grow from night to night."""

    def __init__(self, home: Path, size: Size = LARGE) -> None:
        """Write grids, zones, sites and settings."""
        self.home, self.size, self.rng = home, size, np.random.default_rng(1)
        self.noise = (
            np.random.default_rng(2).normal(1.0, 0.1, (STRIP, round(size.columns * CELL_M / PIXEL_M))).astype("f4")
        )
        columns, rows = np.arange(-MARGIN, size.columns + MARGIN), np.arange(-MARGIN, size.rows + MARGIN)
        x, y = LEFT + (columns + 0.5) * CELL_M, TOP - (rows + 0.5) * CELL_M
        height = _height(x[None, :], y[:, None])
        corner = Affine(CELL_M, 0, x[0] - CELL_M / 2, 0, -CELL_M, y[0] + CELL_M / 2)
        for name, values in {"elevation": height, "canopy": 0.3 * (np.sin(columns / 5.0) > 0) + 0 * height}.items():
            profile = {"driver": "GTiff", "height": len(y), "width": len(x), "count": 1, "dtype": "float32", "crs": CRS}
            with rasterio.open(home / f"{name}.tif", "w", transform=corner, nodata=-9999, **profile) as to:
                to.write(values.astype("f4"), 1)
        to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
        _write_zones(home, size, to_degrees)
        self._write_sites(to_degrees)
        (home / "flights.csv").write_text("flight_id,date,depth\n", "utf-8")
        (home / "basin.yaml").write_text(
            "basin: {id: large, title: Large basin, zones: zones.geojson, utc_offset_hours: -2, margin_m: 500}\n"
            f"grid: {{crs: '{CRS}', cell_m: {CELL_M:g}}}\nbands: {{width_m: 100}}\n"
            "terrain: {elevation: elevation.tif, canopy: canopy.tif}\narchive: archive\n"
            "inputs: {sites: sites.csv, courses: courses.csv, stations: stations.csv, flights: flights.csv, weather: weather.csv}\n",
            "utf-8",
        )

    def arrive(self, date: str, *, late: bool) -> None:
        """Write what has come in by a date; `late` adds a visit of weeks before."""
        self._write_stations(date)
        self._write_courses(date, late=late)
        self._write_weather(date)
        flights = [f"F{day},{day},{day}.tif\n" for day in self.size.flown if day <= date]
        (self.home / "flights.csv").write_text("flight_id,date,depth\n" + "".join(flights), "utf-8")
        for day, share in self.size.flown.items():
            if day <= date:
                self._write_flight(self.home / f"{day}.tif", share)

    def _write_flight(self, path: Path, share: float) -> None:
        """Write a flight's raster: depth by elevation, rough from pixel to pixel."""
        shape = round(self.size.rows * CELL_M / PIXEL_M), self.noise.shape[1]
        x = (LEFT + (np.arange(shape[1]) + 0.5) * PIXEL_M).astype("f4")

        def strip(rows: np.ndarray) -> np.ndarray:
            y = (TOP - (rows + 0.5) * PIXEL_M).astype("f4")
            depth = np.maximum(_height(x[None, :], y[:, None]) - np.float32(1500.0), 0.0) * np.float32(share / 700.0)
            return depth * self.noise[: len(rows)]

        write_strips(path, shape, Affine(PIXEL_M, 0, LEFT, 0, -PIXEL_M, TOP), CRS, strip)

    def _write_sites(self, to_degrees: Transformer) -> None:
        """Write the sites, and make the season's snow at each."""
        rng = self.rng
        x, y = LEFT + self.size.columns * CELL_M * rng.random(SITES), TOP - self.size.rows * CELL_M * rng.random(SITES)
        longitude, latitude = to_degrees.transform(x, y)
        height, self.names = _height(x, y), np.array([f"S{k:03d}" for k in range(SITES)])
        table = {
            "site_id": self.names, "name": "", "kind": np.where(np.arange(SITES) < STATIONS, "station", "course"),
            "longitude": longitude, "latitude": latitude, "elevation_m": height,
        }  # fmt: skip
        pd.DataFrame(table).to_csv(self.home / "sites.csv", index=False)
        days = self.days = pd.date_range(START, NIGHTS[-1])
        self.fall = rng.gamma(0.3, 8, len(days)) * (rng.random(len(days)) < 0.5)
        self.air = 2.0 - 9.0 * np.sin(np.pi * np.arange(len(days)) / len(days)) + rng.normal(0, 2, len(days))
        self.at_sites = self.air[:, None] - 6.5 * (height - 2200.0) / 1000.0
        gained = np.where(self.at_sites < 1.0, self.fall[:, None], -3.0 * np.maximum(self.at_sites, 0.0))
        gathered = np.cumsum(gained, axis=0)
        held = np.maximum(gathered - np.minimum.accumulate(np.minimum(gathered, 0.0)), 0.0)
        self.swe = held * rng.lognormal(0, 0.2, SITES)

    def _write_stations(self, date: str) -> None:
        """Write the stations' hours up to the end of a date, UTC."""
        hours = pd.date_range(START, f"{date} 23:00", freq="h")
        at = np.arange(len(hours)) // 24
        wave = 4.0 * np.sin((hours.hour.to_numpy() - 11.0) / 24.0 * 2.0 * np.pi)
        swe, air = self.swe[at, :STATIONS], self.at_sites[at, :STATIONS] + wave[:, None]
        stations = {
            "site_id": np.repeat(self.names[:STATIONS], len(hours)),
            "time": np.tile(hours.strftime("%Y-%m-%dT%H:%MZ"), STATIONS),
            "swe_mm": swe.T.ravel().round(1),
            "depth_cm": (swe.T.ravel() / 3.2).round(1),
            "air_temperature_c": air.T.ravel().round(1),
            "precipitation_mm": np.tile((self.fall[at] / 24.0).round(2), STATIONS),
        }
        pd.DataFrame(stations).to_csv(self.home / "stations.csv", index=False)

    def _write_courses(self, date: str, *, late: bool) -> None:
        """Write the cores of this season's visits before a date and of ten earlier seasons."""
        rng = np.random.default_rng(3)
        cores = []
        for season, day in itertools.product(range(self.size.earlier + 1), range(92, len(self.days), 30)):
            on = self.days[day] - pd.DateOffset(years=self.size.earlier - season)
            snow = self.swe[day, STATIONS:] * (1.0 if season == self.size.earlier else rng.lognormal(0, 0.2))
            depth, swe = (snow[:, None] * rng.normal(1, 0.05, (COURSES, 6)) for _ in range(2))
            for k, point in np.ndindex(COURSES, 6):
                if snow[k] > 20 and on < pd.Timestamp(date):
                    row = f"{self.names[STATIONS + k]},{on:%Y-%m-%d},{point + 1},{depth[k, point] / 3.2:.1f},{swe[k, point]:.0f}\n"
                    cores.append(row)
        if late:
            top = STATIONS + int(self.swe[-1, STATIONS:].argmax())
            swe = self.swe[-9, top]
            cores += [
                f"{self.names[top]},{self.days[-9]:%Y-%m-%d},{n},{swe / 3.2:.1f},{swe:.0f}\n" for n in range(1, 7)
            ]
        (self.home / "courses.csv").write_text("site_id,date,point,depth_cm,swe_mm\n" + "".join(cores), "utf-8")

    def _write_weather(self, date: str) -> None:
        """Write the weather up to a date and ten days to come, as issued by it."""
        known = int((self.days <= date).sum())
        ahead = pd.date_range(START, periods=known + 10)
        weather = {
            "date": ahead.strftime("%Y-%m-%d"), "elevation_m": 2200, "solar_mj_m2": 18.0,
            "air_temperature_c": np.concatenate([self.air[:known], np.full(10, 6.0)]).round(1),
            "precipitation_mm": np.concatenate([self.fall[:known], np.zeros(10)]).round(1),
            "issued": np.minimum(ahead, pd.Timestamp(date)).strftime("%Y-%m-%d"),
        }  # fmt: skip
        pd.DataFrame(weather).to_csv(self.home / "weather.csv", index=False)


def _write_zones(home: Path, size: Size, to_degrees: Transformer) -> None:
    """Write eight zones side by side, their edges dense enough to stay straight on the grid."""
    edges = np.linspace(LEFT, LEFT + size.columns * CELL_M, 9)
    north = np.linspace(TOP, TOP - size.rows * CELL_M, 50)
    zones = []
    for number, (west, east) in enumerate(itertools.pairwise(edges)):
        x = np.concatenate([np.full(50, west), np.full(50, east), [west]])
        y = np.concatenate([north, north[::-1], [north[0]]])
        ring = np.column_stack(to_degrees.transform(x, y)).tolist()
        geometry = {"type": "Polygon", "coordinates": [ring]}
        name = {"zone_id": f"z{number}", "name": f"Zone {number}"}
        zones.append({"type": "Feature", "properties": name, "geometry": geometry})
    (home / "zones.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": zones}), "utf-8")
