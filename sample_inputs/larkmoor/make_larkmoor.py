"""Make the demo basin Larkmoor: an invented world in open ocean, its inputs here and its truth under tests/.

`python make_larkmoor.py` writes every input beside this script and the truth to tests/recovery/larkmoor_truth/, the same
arrays each time. `--all-truth FILE` also writes the true grids of every fifth day to a netCDF file for developers.
Takes some minutes and about 2 GB of memory.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from rasterio import features
from world_airborne import (
    DEPTH_FLIGHTS,
    SURFACE_FLIGHT,
    average,
    coarse_within,
    cover_grid,
    depth_flight,
    surface_flight,
    write_raster,
)
from world_sites import choose_sites, course_samples, site_days, station_records
from world_snow import ALBEDO, Exposure, SitePoints, depth_of, expose, simulate, swe_of
from world_terrain import CRS, Ground, Lattice, build_ground
from world_weather import STEPS_A_DAY, make_season, weather_table

HERE = Path(__file__).resolve().parent
TRUTH = HERE.parents[1] / "tests" / "recovery" / "larkmoor_truth"
TRUTH_DATES = ("2031-01-15", "2031-02-06", "2031-03-05", "2031-03-27", "2031-04-14", "2031-05-08", "2031-05-20")
PEAK = "2031-03-27"
"""The truth date nearest the season's peak: the figures of spread are taken then."""
COVER_GRIDS = (
    # date, variable, pixel (m), noise, share under cloud
    ("2031-03-30", "snow_albedo", 500.0, 0.03, 0.08),
    ("2031-04-10", "snow_cover_fraction", 200.0, 0.04, 0.12),
    ("2031-05-10", "snow_albedo", 500.0, 0.03, 0.15),
    ("2031-05-18", "snow_cover_fraction", 200.0, 0.04, 0.06),
)
GROUND_SEED, WEATHER_SEED, OTHER_SEED = 10, 8, 2030
BOX_MARGIN_M = 400
"""Snow is simulated this far beyond the basin's outermost points, m."""


@dataclass
class Recorder:
    """Gathers from the running simulation what is kept of it.

    Attributes
    ----------
    days : the season's days, ISO.
    kept : dates whose daily mean grids are kept.
    fine, coarse : the snow's lattice and the 100 m grid of the truth.
    swe, depth : daily means on the 100 m grid by date, mm and m.
    fine_depth : daily mean depth on the snow's lattice by flight date, m.
    noon : albedo and SWE (mm) on the snow's lattice at noon by date of a cover grid.
    """

    days: list[str]
    kept: set[str]
    fine: Lattice
    coarse: Lattice
    swe: dict[str, np.ndarray] = field(default_factory=dict)
    depth: dict[str, np.ndarray] = field(default_factory=dict)
    fine_depth: dict[str, np.ndarray] = field(default_factory=dict)
    noon: dict[str, tuple[np.ndarray, np.ndarray]] = field(default_factory=dict)
    _last: np.ndarray | None = None
    _sum: np.ndarray | None = None

    def __call__(self, day: int, part: int, state: np.ndarray) -> None:
        """Take what is wanted of the state after a step of a day (see world_snow.simulate)."""
        date = self.days[day]
        last_part = part == STEPS_A_DAY - 1
        tomorrow = self.days[day + 1] if last_part and day + 1 < len(self.days) else ""
        if (
            date not in self.kept
            and tomorrow not in self.kept
            and not (part == 1 and date in {c[0] for c in COVER_GRIDS})
        ):
            return
        if part == 1 and date in {grid[0] for grid in COVER_GRIDS}:
            self.noon[date] = (state[ALBEDO].copy(), swe_of(state))
        now = np.stack([swe_of(state), depth_of(state)])
        if date in self.kept:
            before = self._last if self._last is not None else np.zeros_like(now)
            mean = (before + now) / (2 * STEPS_A_DAY)
            self._sum = mean if part == 0 else self._sum + mean
            if last_part:
                self.swe[date] = average(self._sum[0], self.fine, self.coarse)
                self.depth[date] = average(self._sum[1], self.fine, self.coarse)
                if date in FLIGHT_DATES:
                    self.fine_depth[date] = self._sum[1].copy()
        self._last = now


FLIGHT_DATES = (*(flight.date for flight in DEPTH_FLIGHTS), SURFACE_FLIGHT[1])


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def write_ground(ground: Ground) -> None:
    """Write zones, elevation and canopy."""
    zones = ground.zones.to_crs("EPSG:4326")
    zones.to_file(HERE / "zones.geojson", driver="GeoJSON", COORDINATE_PRECISION=6, RFC7946="NO")
    grid = coarse_within(ground.lattice, 100)
    write_raster(HERE / "elevation.tif", average(ground.elevation, ground.lattice, grid), grid, "uint16", 0.1, "m")
    write_raster(HERE / "canopy.tif", average(ground.canopy, ground.lattice, grid), grid, "uint8", 0.01, "1")


def write_flights(
    exposure: Exposure, near: np.ndarray, stable: np.ndarray, depth: dict[str, np.ndarray], seed: np.random.SeedSequence
) -> None:
    """Write the flights' rasters and their table.

    Parameters
    ----------
    exposure : the ground on the snow's lattice.
    near : pixels that the survey covers.
    stable : bare, steady ground.
    depth : true daily mean depth by flight date, m.
    seed : of the laser's errors.
    """
    seeds = seed.spawn(3)
    rows = []
    for flight, child in zip(DEPTH_FLIGHTS, seeds[:2], strict=True):
        seen = depth_flight(flight, depth[flight.date], exposure.canopy, child)
        name = f"flight_{flight.flight_id.lower().replace('-', '')}_depth.tif"
        write_raster(HERE / name, np.where(near, seen, np.nan), exposure.lattice, "int16", 0.01, "m")
        rows.append(
            {
                "flight_id": flight.flight_id,
                "date": flight.date,
                "depth": name,
                "depth_se_m": 0.1,
                "remark": "delivered as depth",
            }
        )
    flight_id, date = SURFACE_FLIGHT
    snow_on, snow_off = surface_flight(exposure.elevation, depth[date], exposure.canopy, seeds[2])
    names = [f"flight_lf2_{part}.tif" for part in ("snow_on", "snow_off", "stable_ground")]
    write_raster(HERE / names[0], np.where(near, snow_on, np.nan), exposure.lattice, "int32", 0.02, "m")
    write_raster(HERE / names[1], np.where(near, snow_off, np.nan), exposure.lattice, "int32", 0.02, "m")
    write_raster(HERE / names[2], np.where(near, stable, np.nan), exposure.lattice, "uint8", 1.0, "1")
    rows.append(
        {
            "flight_id": flight_id,
            "date": date,
            "snow_on": names[0],
            "snow_off": names[1],
            "stable_ground": names[2],
            "remark": "surfaces as delivered, not yet registered",
        }
    )
    columns = ["flight_id", "date", "depth", "snow_on", "snow_off", "stable_ground", "depth_se_m", "remark"]
    pd.DataFrame(rows, columns=columns).sort_values("date").to_csv(HERE / "flights.csv", index=False)


def write_covers(
    exposure: Exposure, noon: dict[str, tuple[np.ndarray, np.ndarray]], seed: np.random.SeedSequence
) -> None:
    """Write snow cover and albedo grids and their table, from the snow at noon: albedo, and SWE in mm, by date."""
    rows = []
    for (date, variable, pixel, noise, clouds), child in zip(COVER_GRIDS, seed.spawn(len(COVER_GRIDS)), strict=True):
        albedo, swe = noon[date]
        grid = coarse_within(exposure.lattice, pixel, shift=40.0)
        white = (swe > 3.0).astype(np.float64)
        covered = average(white, exposure.lattice, grid)
        if variable == "snow_cover_fraction":
            true = covered
        else:
            with np.errstate(invalid="ignore"):
                true = np.where(covered > 0.1, average(albedo * white, exposure.lattice, grid) / covered, np.nan)
        name = f"{variable}_{date.replace('-', '')}.tif"
        write_raster(HERE / name, cover_grid(true, noise, clouds, child, pixel), grid, "uint8", 0.005, "1")
        rows.append({"date": date, "variable": variable, "path": name})
    pd.DataFrame(rows).to_csv(HERE / "covers.csv", index=False)


def truth_dataset(recorder: Recorder, ground: Ground, dates: list[str]) -> xr.Dataset:
    """Return the true daily means on the 100 m grid, cells with a part in the basin only."""
    grid = recorder.coarse
    share = inside_share(ground, grid)
    labels = features.rasterize(
        zip(ground.zones.geometry, range(1, 4), strict=True), grid.shape, transform=grid.transform
    )
    swe = np.stack([recorder.swe[date] for date in dates])
    depth = np.stack([recorder.depth[date] for date in dates])
    with np.errstate(invalid="ignore", divide="ignore"):
        density = np.where(depth > 0.005, swe / depth, np.nan)
    space = ("date", "y", "x")
    out = xr.Dataset(
        {
            "swe": (
                space,
                np.where(share > 0, swe, np.nan),
                {"units": "mm", "long_name": "true daily mean snow water equivalent"},
            ),
            "depth": (
                space,
                np.where(share > 0, depth, np.nan),
                {"units": "m", "long_name": "true daily mean snow depth"},
            ),
            "density": (
                space,
                np.where(share > 0, density, np.nan),
                {"units": "kg m-3", "long_name": "true bulk density, SWE over depth"},
            ),
            "basin": (
                ("y", "x"),
                (share > 0).astype(np.int8),
                {"long_name": "1 where a part of the cell lies in the basin"},
            ),
            "basin_fraction": (("y", "x"), share, {"units": "1", "long_name": "share of the cell inside the basin"}),
            "zone": (
                ("y", "x"),
                labels.astype(np.int8),
                {
                    "long_name": "zone of the cell's centre: "
                    + ", ".join(f"{i} {z}" for i, z in enumerate(ground.zones.zone_id, 1))
                },
            ),
        },
        {"date": pd.to_datetime(dates), "y": grid.y, "x": grid.x},
        {"title": "Larkmoor, an invented basin: the truth of the simulated snow", "crs": CRS},
    )
    steps = {
        "swe": (0.1, "uint16"),
        "depth": (0.001, "uint16"),
        "density": (0.1, "uint16"),
        "basin_fraction": (0.005, "uint8"),
    }
    for name, (scale, kind) in steps.items():
        out[name].encoding = {"scale_factor": scale, "dtype": kind, "_FillValue": np.iinfo(kind).max}
    for name in out.data_vars:
        chunks = (1, *grid.shape)[-out[name].ndim :]
        out[name].encoding |= {"zlib": True, "complevel": 9, "shuffle": True, "chunksizes": chunks}
    return out


def inside_share(ground: Ground, grid: Lattice) -> np.ndarray:
    """Return the share of each cell of a 100 m grid that lies in the basin, from 5 m pixels."""
    fine = Lattice(grid.west, grid.north, 5, grid.rows * 20, grid.columns * 20)
    mask = features.rasterize(ground.zones.geometry, fine.shape, transform=fine.transform, dtype="uint8")
    return mask.reshape(grid.rows, 20, grid.columns, 20).mean(axis=(1, 3))


def tell_figures(recorder: Recorder, ground: Ground, table: pd.DataFrame, sites: SitePoints) -> None:
    """Print the figures that the demo basin is held to."""
    grid = recorder.coarse
    share = inside_share(ground, grid)
    inside = share > 0.5
    elevation = average(ground.elevation, ground.lattice, grid)[inside]
    area = float(ground.zones.area.sum())
    zones = ", ".join(f"{z} {a / 1e6:.1f}" for z, a in zip(ground.zones.zone_id, ground.zones.area, strict=True))
    say(
        f"area {area / 1e6:.1f} km2 ({zones}); elevation {elevation.min():.0f} to {elevation.max():.0f} m, median {np.median(elevation):.0f} m"
    )
    say("date        mean mm   volume Mm3    CV   R2 on elevation   bare cells   density")
    for date in TRUTH_DATES:
        swe, depth = recorder.swe[date], recorder.depth[date]
        mean = float((swe * share).sum() / share.sum())
        density = mean / float((depth * share).sum() / share.sum())
        values = swe[inside]
        r2 = np.corrcoef(values, elevation)[0, 1] ** 2
        say(
            f"{date}  {mean:7.1f}   {mean * area / 1e9:8.2f}   {values.std() / values.mean():5.2f}   {r2:5.2f}   {(values < 1).mean():16.2f}   {density:8.0f}"
        )
    flights = np.corrcoef([recorder.swe[date][inside] for date in sorted(FLIGHT_DATES)])
    say(f"flights' true SWE correlate: 1-2 {flights[0, 1]:.3f}, 2-3 {flights[1, 2]:.3f}, 1-3 {flights[0, 2]:.3f}")
    swe, _ = site_days(sites)
    for date in ("2031-02-06", "2031-03-05", PEAK, "2031-04-14"):
        ratio = swe[recorder.days.index(date)] / site_cells(recorder, table, date)
        worst = ", ".join(
            f"{table['site_id'][i]} {ratio[i]:.2f}" for i in np.argsort(np.abs(np.log(np.maximum(ratio, 0.01))))[-4:]
        )
        say(f"furthest from their cells: {worst}")
        say(
            f"sites over cells {date}: mean {ratio.mean():.3f}, spread {ratio.std(ddof=1):.3f}, range {ratio.min():.2f} to {ratio.max():.2f}"
        )


def site_cells(recorder: Recorder, table: pd.DataFrame, date: str) -> np.ndarray:
    """Return the true SWE (mm) of the 100 m cell that each site stands in."""
    grid = recorder.coarse
    rows = ((grid.north - table.attrs["y"]) // grid.pixel).astype(int)
    columns = ((table.attrs["x"] - grid.west) // grid.pixel).astype(int)
    return recorder.swe[date][rows, columns]


def make(all_truth: Path | None) -> None:
    """Make the world and write inputs, truth and, if a file is named, the truth of every fifth day."""
    seeds = dict(
        zip(
            ("exposure", "weather table", "sites", "stations", "courses", "flights", "covers"),
            np.random.SeedSequence(OTHER_SEED).spawn(7),
            strict=True,
        )
    )
    ground = build_ground(np.random.SeedSequence(GROUND_SEED))
    west, south, east, north = ground.zones.total_bounds
    window = ground.lattice.window(
        (west - BOX_MARGIN_M, south - BOX_MARGIN_M, east + BOX_MARGIN_M, north + BOX_MARGIN_M)
    )
    exposure = expose(ground, window, seeds["exposure"])
    season = make_season(np.random.SeedSequence(WEATHER_SEED))
    table, sites = choose_sites(exposure, ground.inside[window], seeds["sites"])
    say("ground and sites stand; the season runs")
    days = list(season.days.strftime("%Y-%m-%d"))
    edges = np.array([np.floor(west / 100), np.floor(south / 100), np.ceil(east / 100), np.ceil(north / 100)]) * 100
    coarse = Lattice(edges[0], edges[3], 100, int((edges[3] - edges[1]) // 100), int((edges[2] - edges[0]) // 100))
    kept = set(TRUTH_DATES) | (set(days[::5]) if all_truth else set())
    recorder = Recorder(days, kept, exposure.lattice, coarse)
    simulate(exposure, season, sites, recorder)

    write_ground(ground)
    table.to_csv(HERE / "sites.csv", index=False)
    station_records(table, sites, season, seeds["stations"]).to_csv(
        HERE / "station_records.csv", index=False, float_format="%g"
    )
    course_samples(table, sites, seeds["courses"]).to_csv(HERE / "course_samples.csv", index=False)
    near = features.rasterize(
        ground.zones.buffer(200), exposure.lattice.shape, transform=exposure.lattice.transform
    ).astype(bool)
    write_flights(exposure, near, ground.stable[window] & near, recorder.fine_depth, seeds["flights"])
    write_covers(exposure, recorder.noon, seeds["covers"])
    weather_table(season, seeds["weather table"], list(TRUTH_DATES)).to_csv(HERE / "weather.csv", index=False)
    TRUTH.mkdir(parents=True, exist_ok=True)
    truth_dataset(recorder, ground, list(TRUTH_DATES)).to_netcdf(TRUTH / "truth.nc")
    if all_truth:
        truth_dataset(recorder, ground, sorted(kept)).to_netcdf(all_truth)
    tell_figures(recorder, ground, table, sites)
    written = [path for folder in (HERE, TRUTH) for path in folder.iterdir() if path.is_file()]
    say(f"files: {sum(path.stat().st_size for path in written) / 1e6:.2f} MB")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description="Make the demo basin Larkmoor.")
    parser.add_argument(
        "--all-truth", type=Path, metavar="FILE", help="also write the true grids of every fifth day (netCDF)"
    )
    make(parser.parse_args().all_truth)


if __name__ == "__main__":
    main()
