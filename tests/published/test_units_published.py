"""Units and days against arithmetic, exact definitions and conventions."""

import datetime as dt
from pathlib import Path

import pytest

from snowtally.inputs.columns import check_declared
from snowtally.inputs.known_tables import COURSES
from snowtally.inputs.read_courses import read_courses
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.source import Source
from snowtally.model.problems import SettingsError
from snowtally.settings.basin import Settings
from snowtally.settings.blocks import Column


def test_vol_02_a_foot_is_the_international_one(tmp_path):
    # An acre-foot is 43 560 ft3: 1233.48183755 m3 by the international foot, 1233.48923847 by the US survey's (UDUNITS-2 and
    # pint give the latter for acre_foot). The program reads no volumes; its foot decides which one its volumes are in.
    path = tmp_path / "sites.csv"
    path.write_text("site_id,name,kind,longitude,latitude,feet\nA,,course,1,1,10000\n")
    sites, _ = read_sites(Source([path], {"elevation": Column(column="feet", unit="foot")}, [""]))
    foot = sites["elevation_m"].iloc[0] / 10_000
    assert 43_560 * foot**3 == pytest.approx(1233.48183755, rel=1e-9)
    assert 43_560 * foot**3 != pytest.approx(1233.48923847, rel=1e-6)


def test_vol_04_a_mass_of_water_per_area_is_refused_or_divided_by_its_density(tmp_path):
    # UDUNITS-2 (by cf-units) does not convert kg m-2 to mm; 1 kg/m2 over 1000 kg/m3 is 1 mm. What must not be is a silent 1000.
    path = tmp_path / "courses.csv"
    path.write_text("site_id,date,point,depth_cm,water\nA,2031-03-01,1,100,306\n")
    columns = {"swe": Column(column="water", unit="kg/m**2")}
    try:
        check_declared({"courses": columns}, [COURSES])
    except SettingsError as refusal:
        assert "columns.courses.swe.unit: 'kg/m**2' cannot be turned into mm" in str(refusal)  # noqa: PT017  either is right
    else:
        rows, _ = read_courses(Source([path], columns, [""]))
        assert rows["swe_mm"].tolist() == pytest.approx([306.0], rel=1e-12)


def settings_with(season_start):
    return Settings.model_validate(
        {
            "basin": {"id": "a", "title": "A", "zones": "z", "utc_offset_hours": 0, "season_start": season_start},
            "grid": {"crs": "EPSG:32625"},
            "terrain": {"elevation": "e"},
            "inputs": {"sites": "s"},
            "archive": str(Path("archive")),
        }
    )


@pytest.mark.parametrize(
    ("date", "day"),
    [
        ("2022-10-01", 1),
        ("2022-12-31", 92),
        ("2023-01-01", 93),
        ("2023-04-01", 183),
        ("2024-04-01", 184),
        ("2023-09-30", 365),
        ("2024-09-30", 366),
    ],
)
def test_vol_09_days_of_the_season_count_as_those_of_the_water_year(date, day):
    # US water-year convention; 1 October is day 1 as in Hill et al. 2019, The Cryosphere 13, 1767-1784.
    date = dt.date.fromisoformat(date)
    start = settings_with("10-01").season_start(date)
    assert (date - start).days + 1 == day
    # A water year is named by its end.
    assert start.year + 1 == (2024 if date >= dt.date(2023, 10, 1) else 2023)
