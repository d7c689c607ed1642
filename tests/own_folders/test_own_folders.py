"""The judge of made folders sees what a silent mistake would do, and calls the same data the same."""

import datetime as dt

import folders_english
import folders_other
import numpy as np
import pandas as pd
import pytest
from canonical import write_canonical
from header_draws import DEMO, FILES, KEYS, write_draw
from own_folder import FOLDERS
from same_rows import differences

from snowtally.gather.day import read_inputs
from snowtally.settings.basin import read_settings

DATE = dt.date(2031, 4, 5)


def read(records, folder):
    grid = {"crs": records.place.crs, "cell_m": 400}
    settings = write_canonical(records, folder, grid, season_start="10-01")
    return read_inputs(read_settings(settings), DATE, lambda _: None)


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    return FOLDERS["german_office"].make(tmp_path_factory.mktemp("folders") / "made")


@pytest.fixture(scope="module")
def true(records, tmp_path_factory):
    return read(records, tmp_path_factory.mktemp("canonical") / "true")


def scaled(table, column, factor, shift=0.0):
    return table.assign(**{column: table[column] * factor + shift})


def test_the_same_data_are_called_the_same(records, true, tmp_path):
    assert list(differences(read(records, tmp_path / "again"), true, daily=False)) == []


def test_units_taken_silently_are_seen(records, true, tmp_path):
    stations = scaled(scaled(records.stations, "swe_mm", 1 / 25.4), "depth_cm", 2.54)
    wrong = records.but(
        stations=scaled(stations, "air_temperature_c", 1.8, 32),
        courses=scaled(records.courses, "swe_mm", 0.1),
        sites=scaled(records.sites, "elevation_m", 1 / 0.3048),
    )
    found = {one.what for one in differences(read(wrong, tmp_path / "units"), true, daily=False) if not one.lost}
    assert found >= {
        "stations.swe_mm",
        "stations.depth_m",
        "stations.air_temperature_c",
        "courses.swe_mm",
        "sites.elevation_m",
    }


def test_a_clock_taken_silently_is_seen(records, true, tmp_path):
    wrong = records.but(stations=records.stations.assign(time=records.stations["time"] + pd.Timedelta(hours=2)))
    found = {one.what for one in differences(read(wrong, tmp_path / "clock"), true, daily=False) if not one.lost}
    assert "stations.time" in found


def test_what_is_not_there_is_called_lost(records, true, tmp_path):
    fewer = records.but(stations=records.stations[records.stations["time"] < "2031-02-01"].drop(columns="depth_cm"))
    found = list(differences(read(fewer, tmp_path / "fewer"), true, daily=False))
    assert {one.what for one in found if one.lost} >= {"stations.time", "stations.depth_m"}


def test_twelve_folders_are_written_each_in_its_own_way(tmp_path):
    assert len(FOLDERS) == 12
    assert all(
        function in FOLDERS for function in (folders_english.inch_report.__name__, folders_other.german_office.__name__)
    )
    headers = set()
    for name in ("inch_report", "spanish_south"):
        own = FOLDERS[name]
        records = own.make(tmp_path / name)
        assert records.place.southern == (own.place.latitude < 0)
        headers |= {path.read_text("utf-8", "replace").splitlines()[0] for path in (tmp_path / name).glob("*.csv")}
    assert len(headers) >= 4


def test_a_draw_holds_the_demo_s_values_under_other_headers(tmp_path):
    draws = write_draw(tmp_path / "draw", 3)
    for table, file in FILES.items():
        own = pd.read_csv(tmp_path / "draw" / file, sep=draws[table].separator, dtype=str, keep_default_na=False)
        demo = pd.read_csv(DEMO / file, dtype=str, keep_default_na=False)
        draw = draws[table]
        assert set(own.columns) == set(draw.headers.values())
        for column in KEYS[table]:
            unit = draw.units[column]
            given, right = (pd.to_numeric(one, errors="coerce") for one in (own[draw.headers[column]], demo[column]))
            back = ((given - unit.shift) / unit.factor).where(given != -9999, -9999)
            np.testing.assert_allclose(back, right, atol=0.6 * 10.0**-unit.decimals / unit.factor)
