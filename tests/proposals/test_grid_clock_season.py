"""The grid, the clock and the season that are proposed."""

import datetime as dt
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS, Proj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info

from snowtally.inputs.read_terrain import MOST_AREA_DISTORTION
from snowtally.proposals.clock import (
    contradicted_clock,
    differing_clocks,
    propose_clock,
    propose_offset,
    warmest_hour,
)
from snowtally.proposals.grid import LONGEST_NIGHT_S, memory_gb, night_s, propose_grid, utm_code
from snowtally.proposals.proposal import FileGroup, Proposal, Refusal
from snowtally.proposals.raster_facts import Box
from snowtally.proposals.season import newest_with_snow, propose_season


@pytest.mark.parametrize(
    ("longitude", "latitude"),
    [(-32.8, 44.1), (5.0, 60.0), (10.0, 78.0), (21.5, 80.0), (170.1, -44.0), (-179.99, -44.0), (-0.01, 10.0)],
)
def test_the_system_is_the_utm_zone_by_the_epsg_registry(longitude, latitude):
    # An outside check: PROJ's own database of areas of use.
    code = utm_code(longitude, latitude)
    area = AreaOfInterest(longitude, latitude, longitude, latitude)
    known = {f"EPSG:{one.code}" for one in query_utm_crs_info("WGS 84", area)}
    assert code in known


@pytest.mark.parametrize("latitude", [-89.0, -81.0, 0.0, 45.0, 83.0, 85.0, 89.9])
def test_the_system_never_distorts_area_beyond_what_the_program_takes(latitude):
    zones = Box(5.6, latitude - 0.05, 6.4, latitude + 0.05)
    grid = propose_grid(zones, 300.0, [], 5000.0)
    scale = Proj(CRS(grid.crs.value)).get_factors(6.0, latitude).areal_scale
    assert abs(scale - 1) < MOST_AREA_DISTORTION


@pytest.mark.parametrize(
    ("side_km", "pixel_m", "cell"), [(20, 10, 100), (20, 109, 100), (20, 480, 500), (6, 10, 50), (3, 1, 30), (1, 1, 25), (200, 10, 200), (600, 30, 500)]
)  # fmt: skip
def test_cells_are_round_and_a_night_on_them_can_be_borne(side_km, pixel_m, cell):
    class Raster:
        crs = CRS("EPSG:32625")

    raster = Raster()
    raster.pixel_m = pixel_m
    half = side_km / 2 / 111.195
    zones = Box(-33 - half / np.cos(np.radians(45)), 45 - half, -33 + half / np.cos(np.radians(45)), 45 + half)
    grid = propose_grid(zones, side_km**2, [raster], 5000.0)
    assert grid.cell.value == cell
    assert night_s(((side_km + 10) * 1000 / cell) ** 2) <= LONGEST_NIGHT_S
    assert "GB" in grid.cell.evidence


def test_the_night_s_time_and_memory_are_those_that_were_measured():
    # tests/benchmarks/bench_night.py with one flight, CPU seconds and MB of a night with nothing new, 2026-12-01.
    measured = {129_600: (9.4, 730), 462_400: (11.6, 950), 883_600: (14.3, 1270), 1_716_100: (19.8, 1930)}
    for cells, (seconds, megabytes) in measured.items():
        assert night_s(cells) == pytest.approx(seconds, rel=0.1)
        assert memory_gb(cells) * 1000 == pytest.approx(megabytes, rel=0.1)


def group(*offsets, lacks=False):
    return FileGroup((Path("/x/stations.csv"),), "*", offsets_hours=offsets, lacks_clock=lacks)


def test_the_offset_is_the_longitude_s_and_that_of_the_records():
    assert propose_offset(-105.4, []).value == -7
    assert propose_offset(-111.2, [group(-7.0)]).value == -7
    # Instants in UTC say nothing of the basin's clock.
    assert propose_offset(-105.4, [group(0.0)]).value == -7
    summer = propose_offset(-105.4, [group(-6.0)])
    assert (summer.value, summer.others) == (-6, (-7,))
    assert propose_offset(-105.4, [group(-7.0, -6.0)]).value == -7
    assert propose_offset(82.6, [group(5.5)]).value == 5.5


def test_an_offset_of_the_wrong_sign_is_refused():
    refused = propose_offset(-105.4, [group(7.0)])
    assert isinstance(refused, Refusal)
    assert "stations.csv" in str(refused)
    assert "+7 h" in str(refused)


def air(warmest_utc, step_h=1, days=20, amplitude=5.0):
    """Return readings whose air is warmest at an hour of UTC."""
    time = pd.date_range("2031-03-01", periods=days * 24 // step_h, freq=f"{step_h}h")
    hour = time.hour.to_numpy()
    noise = np.random.default_rng(1).normal(0, 1, len(time))
    values = amplitude * np.cos(2 * np.pi * (hour - warmest_utc) / 24) - 5 + noise
    return pd.DataFrame({"site_id": "A", "time": time, "air_temperature_c": values})


@pytest.mark.parametrize("step_h", [1, 3, 6])
@pytest.mark.parametrize(("warmest", "clock"), [(14.5, -7), (15.5, -7), (21.5, 0), (20.8, 0)])
def test_the_clock_is_told_by_the_warmest_hour(warmest, clock, step_h):
    # By the sun it is warmest at 14:30: 21:32 UTC at 105.5 degrees west.
    got = propose_clock(group(lacks=True), -7, -105.5 / 15, air(warmest, step_h))
    assert (got.value, got.is_safe) == (clock, True)


@pytest.mark.parametrize(
    "readings",
    [air(18.0), air(14.5, amplitude=0.0), air(14.5, step_h=12), air(14.5, days=4), air(14.5).assign(air_temperature_c=np.nan)],
    ids=["between", "flat", "twice a day", "short", "no air"],
)  # fmt: skip
def test_a_clock_that_nothing_shows_must_be_answered(readings):
    got = propose_clock(group(lacks=True), -7, -105.5 / 15, readings)
    assert not got.is_safe
    assert {got.value, *got.others} == {-7, 0}


def test_a_clock_at_the_longitude_of_utc_must_be_answered():
    # Lands at 6.5 degrees east keep UTC+1 (tz database), though their sun is nearer to UTC.
    got = propose_clock(group(lacks=True), 0, 6.5 / 15, air(14.0))
    assert (got.value, got.others, got.is_safe) == (0, (1,), False)


def test_files_whose_air_tells_two_clocks_are_refused():
    files = FileGroup((Path("/x/a.csv"), Path("/x/b.csv")), "*", lacks_clock=True)

    def two(first, second):
        return pd.concat([air(first).assign(file="/x/a.csv"), air(second).assign(file="/x/b.csv")])

    assert differing_clocks(files, -7, -105.5 / 15, two(14.5, 14.3)) is None
    refused = str(differing_clocks(files, -7, -105.5 / 15, two(14.5, 21.5)))
    assert refused.startswith(
        "/x/a.csv: its air temperature shows that the times are UTC-7; that of b.csv shows UTC+0."
    )


def test_a_stated_clock_that_the_air_contradicts_is_refused():
    # Local times under the header "Time (UTC)": warmest at half past two by the clock, in the morning by the sun.
    stated = replace(group(), proposals=(Proposal("clock", 0, "'Time (UTC)'"),))
    refused = str(contradicted_clock(stated, -105.5 / 15, air(14.5)))
    assert "states ('Time (UTC)') the air is warmest at 07:2" in refused
    assert "`clock: -7`" in refused
    assert contradicted_clock(stated, -105.5 / 15, air(21.5)) is None
    assert contradicted_clock(stated, -105.5 / 15, air(14.5, amplitude=0.0)) is None


def test_the_warmest_hour_of_a_wave():
    assert warmest_hour(air(14.5, amplitude=8.0)) == pytest.approx(14.5, abs=0.2)
    assert warmest_hour(air(14.5).iloc[:0]) is None


def season(first, days=150, kind="station"):
    dates = pd.date_range(first, periods=days)
    return pd.DataFrame({"date": dates, "kind": kind, "swe_mm": 200.0})


def test_the_season_is_the_hemisphere_s_and_checked_by_the_records():
    north, south = season("2030-12-01"), season("2031-06-01")
    assert propose_season(44.0, north).value == "10-01"
    assert propose_season(-44.0, south).value == "04-01"
    assert propose_season(44.0, north.iloc[:3]).value == "10-01"
    wrong = propose_season(44.0, south)
    assert (wrong.value, wrong.others, wrong.is_safe) == ("10-01", ("04-01",), False)


def test_the_newest_date_with_snow():
    late = season("2031-01-01", 100)
    assert newest_with_snow(late) == dt.date(2031, 4, 10)
    # One of five stations with an empty pillow that shows some water is no snow.
    drift = [season("2031-01-01", 160).assign(swe_mm=12.0)] + [season("2031-01-01", 160).assign(swe_mm=0.0)] * 4
    assert newest_with_snow(pd.concat(drift)) is None
    course = season("2031-05-02", 1, "course").assign(swe_mm=3.0)
    assert newest_with_snow(pd.concat([late, course])) == dt.date(2031, 5, 2)
    assert newest_with_snow(course.iloc[:0]) is None
