"""Sites as agencies write them: degrees and minutes, eastings and northings, several files."""

import numpy as np
import pytest
from pyproj import CRS

from snowtally.inputs.columns import check_declared
from snowtally.inputs.formats import FileFormat, check_formats
from snowtally.inputs.known_tables import COURSES, SITES, ZONES
from snowtally.inputs.read_sites import read_sites
from snowtally.inputs.source import Source
from snowtally.model.problems import SettingsError
from snowtally.settings.blocks import Column

HEADER = "site_id,kind,longitude,latitude\n"


def read(tmp_path, text, name="sites.csv", **how):
    path = tmp_path / name
    path.write_text(text, "utf-8")
    return read_sites(Source([path], how.pop("columns", {}), ["", "-9999", "M"], [FileFormat(**how)]))


@pytest.mark.parametrize(
    ("written", "degrees"),
    [
        ("44.25", 44.25), ("-33.5", -33.5), ("44 15 N", 44.25), ("44°15'N", 44.25), ("44:15:00", 44.25), ("-44:15", -44.25),
        ("44° 15\u2032 36\u2033 S", -44.26), ("S44 15.6", -44.26), ("44.25°N", 44.25), ("44º15\u201936\u201dN", 44.26),
        ("-0 30 00", -0.5), ("0°30'S", -0.5), ("44 15 36.0n", 44.26),
    ],
)  # fmt: skip
def test_degrees_and_minutes_are_read_as_such(tmp_path, written, degrees):
    quoted = written.replace('"', '""')
    sites, findings = read(tmp_path, f'{HEADER}A,course,-33.0,"{quoted}"\n')
    assert findings == []
    assert sites["latitude"].tolist() == [pytest.approx(degrees, abs=1e-9)]


@pytest.mark.parametrize(
    "written", ["44 15 W", "44:61", "44.5 15 N", "-44 15 N", "44 15 60", "N44 15 S", "44 15 N 3", "north", "44,25"]
)
def test_what_is_no_latitude_is_told_with_what_is_wanted(tmp_path, written):
    sites, findings = read(tmp_path, f'{HEADER}A,course,-33.0,"{written}"\nB,course,-33.0,44\n')
    assert sites["site_id"].tolist() == ["B"]
    assert [finding.rule.name for finding in findings] == ["unreadable value", "unusable site"]
    assert (findings[0].line, findings[0].evidence) == (2, f"latitude = '{written}'")
    assert findings[0].detail.startswith("latitude must be ")


def test_a_west_longitude_is_negative_and_a_missing_code_stays_one(tmp_path):
    sites, findings = read(tmp_path, f"{HEADER}A,course,033°30'W,44 N\nB,course,M,44 N\nC,course,-9999,44 N\n")
    assert sites["longitude"].tolist() == [-33.5]
    assert [(finding.rule.name, finding.line) for finding in findings] == [("unusable site", 3), ("unusable site", 4)]


def test_degrees_and_minutes_in_one_number_are_declared(tmp_path):
    columns = {key: Column(unit="ddmm") for key in ("longitude", "latitude")}
    text = f"{HEADER}A,course,-3330.0,4415.6\nB,course,-3361,4415\nC,course,3330W,4415.6N\n"
    sites, findings = read(tmp_path, text, columns=columns)
    np.testing.assert_allclose(sites[["longitude", "latitude"]], [[-33.5, 44.26], [-33.5, 44.26]])
    assert [(finding.rule.name, finding.line) for finding in findings] == [
        ("unreadable value", 3),
        ("unusable site", 3),
    ]


def test_a_decimal_comma_counts_in_minutes(tmp_path):
    sites, _ = read(tmp_path, HEADER.replace(",", ";") + "A;course;-33,5;44 15,6 N\n", separator=";", decimal=",")
    np.testing.assert_allclose(sites[["longitude", "latitude"]], [[-33.5, 44.26]])


def test_eastings_and_northings_are_placed_by_their_system(tmp_path):
    """The central meridian of UTM zone 25 is 33 W; at 500 km east a place lies on it (definition of UTM)."""
    columns = {"longitude": Column(column="Easting"), "latitude": Column(column="Northing")}
    text = "site_id,kind,Easting,Northing\nA,course,500000,4880000\nB,station,1e12,4880000\n"
    sites, findings = read(tmp_path, text, columns=columns, crs="EPSG:32625")
    assert sites["longitude"].tolist() == [pytest.approx(-33.0, abs=1e-9)]
    # A meridian arc of 4880 km / 0.9996 from the equator on WGS 84, by PROJ's own inverse in another system of the same arc.
    assert sites["latitude"].tolist() == [pytest.approx(CRS_LATITUDE, abs=1e-7)]
    assert [(one.rule.name, one.line, one.evidence) for one in findings] == [
        ("unusable site", 3, "kind 'station', longitude 1000000000000.0, latitude 4880000.0")
    ]


def _latitude_of_arc(arc_m):
    """Return the latitude whose meridian arc from the equator is so long, by Simpson's rule and bisection."""
    a, f = CRS("EPSG:4326").ellipsoid.semi_major_metre, 1 / CRS("EPSG:4326").ellipsoid.inverse_flattening
    e2 = f * (2 - f)

    def arc(latitude):
        nodes = np.linspace(0, latitude, 2001)
        radius = a * (1 - e2) / (1 - e2 * np.sin(nodes) ** 2) ** 1.5
        weights = np.r_[1, np.tile([4, 2], 999), 4, 1]
        return (radius * weights).sum() * latitude / 2000 / 3

    low, high = 0.0, np.pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if arc(middle) < arc_m else (low, middle)
    return float(np.degrees(low))


CRS_LATITUDE = _latitude_of_arc(4_880_000 / 0.9996)


def test_only_sites_have_a_coordinate_system():
    check_formats({"sites": [FileFormat(crs="EPSG:32625")]}, [SITES, COURSES])
    with pytest.raises(SettingsError, match=r"formats.courses.crs: only the sites have"):
        check_formats({"courses": [FileFormat(crs="EPSG:32625")]}, [SITES, COURSES])


def test_attributes_of_zones_are_columns_or_constants():
    check_declared({"zones": {"zone_id": Column(column="NR"), "name": Column(constant="all")}}, [ZONES])
    with pytest.raises(SettingsError, match=r"columns.zones.title is not a canonical column. Known: zone_id, name"):
        check_declared({"zones": {"title": Column(column="NR")}}, [ZONES])
    for setting in (Column(file_name="{}.gpkg"), Column(values={"a": "b"})):
        with pytest.raises(SettingsError, match=r"columns.zones.name: give column or constant"):
            check_declared({"zones": {"name": setting}}, [ZONES])


def test_other_letters_of_the_compass_are_declared(tmp_path):
    file = tmp_path / "sites.csv"
    file.write_text(HEADER + "A,course,33°30'O,44 N\nB,course,o 33 30,44 N\nC,course,33°30'X,44 N\n", "utf-8")
    for means, longitude in (("W", -33.5), ("E", 33.5)):
        sites, findings = read_sites(Source([file], {"longitude": Column(values={"O": means})}))
        assert sites["longitude"].tolist() == [longitude, longitude]
        assert any("33°30'X" in one.evidence for one in findings)


def test_a_letter_of_the_compass_means_one_of_its_column():
    check_declared({"sites": {"longitude": Column(values={"O": "W"})}}, [SITES])
    with pytest.raises(
        SettingsError, match=r"columns.sites.longitude.values: 'N' is no letter of longitude. It is E or W"
    ):
        check_declared({"sites": {"longitude": Column(values={"O": "N"})}}, [SITES])


def test_of_several_files_the_later_row_of_a_site_counts(tmp_path):
    texts = {"a.csv": "A,course,-33,44\nB,course,-33.1,44\n", "b.csv": "A,course,-33.2,44\nC,station,-33.3,44\n"}
    for name, text in texts.items():
        (tmp_path / name).write_text(HEADER + text, "utf-8")
    sites, findings = read_sites(Source([tmp_path / name for name in texts], {}, [""]))
    assert dict(zip(sites["site_id"], sites["longitude"], strict=True)) == {"A": -33.2, "B": -33.1, "C": -33.3}
    assert [(one.rule.name, one.site_id, one.line) for one in findings] == [("duplicate", "A", 2)]
    assert f"{tmp_path / 'b.csv'}, line 2" in findings[0].evidence
