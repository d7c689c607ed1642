"""Slips in setting up a basin reach the night: it says so, and is degraded where its total would be wrong."""

import datetime as dt

import pandas as pd
import pytest
from made_basin import write_basin

from snowtally.gather.day import read_inputs
from snowtally.model.problems import InputError
from snowtally.model.rules import slips
from snowtally.model.rules.table import rows_of
from snowtally.settings.basin import read_settings

DAY = dt.date(2031, 3, 10)
SLIPS = {rule.name for rule in rows_of(slips).values()}


@pytest.fixture
def home(tmp_path):
    return write_basin(tmp_path)


def told(home):
    """Return the slips that a night is told of, by name, and whether it is degraded by one."""
    readings = read_inputs(read_settings(home / "basin.yaml"), DAY, lambda _stage: None)
    names = [finding.rule.name for finding in readings.findings if finding.rule.name in SLIPS]
    return names, any(loss.rule in SLIPS for loss in readings.losses)


def edit(home, old, new):
    file = home / "basin.yaml"
    text = file.read_text("utf-8")
    assert old in text
    file.write_text(text.replace(old, new), "utf-8")


def edit_table(home, name, change):
    table = pd.read_csv(home / name)
    change(table).to_csv(home / name, index=False)


def test_the_basin_as_it_is_has_none(home):
    assert told(home) == ([], False)


def test_an_offset_of_the_wrong_sign(home):
    edit(home, "utc_offset_hours: -2", "utc_offset_hours: 2")
    assert told(home) == (["wrong UTC offset"], True)


def test_exchanged_coordinates_of_one_site_and_of_all(home):
    columns = {"longitude": "latitude", "latitude": "longitude"}
    edit_table(home, "sites.csv", lambda sites: pd.concat([sites[:-1], sites[-1:].rename(columns=columns)]))
    assert told(home) == (["misplaced sites"], True)
    edit_table(home, "sites.csv", lambda sites: pd.concat([sites[:-1].rename(columns=columns), sites[-1:]]))
    readings = read_inputs(read_settings(home / "basin.yaml"), DAY, lambda _stage: None)
    assert {"misplaced sites", "no site"} <= {loss.rule for loss in readings.losses}
    no_site = next(one for one in readings.findings if one.rule.name == "no site")
    assert "they lie around 32.97 S 44.05 E, the basin around 44.05 N 32.96 W" in no_site.detail


def test_a_station_under_two_names(home):
    edit_table(home, "sites.csv", lambda t: pd.concat([t, t[t["site_id"] == "S1"].assign(site_id="S1 upper")]))
    edit_table(home, "stations.csv", lambda t: pd.concat([t, t[t["site_id"] == "S1"].assign(site_id="S1 upper")]))
    assert told(home) == (["site under two names"], True)


def test_a_station_in_inches_among_others(home):
    edit_table(
        home, "stations.csv", lambda t: t.assign(swe_mm=t["swe_mm"].where(t["site_id"] != "S3", t["swe_mm"] / 25.4))
    )
    assert told(home) == (["mixed units"], True)
    # By the station's file: the cure that the finding names.
    table = pd.read_csv(home / "stations.csv")
    table[table["site_id"] == "S3"].to_csv(home / "inches.csv", index=False)
    table[table["site_id"] != "S3"].to_csv(home / "stations.csv", index=False)
    edit(home, "stations: stations.csv", "stations: [stations.csv, inches.csv]")
    edit(home, "archive:", "formats: {stations: [{files: inches.csv, columns: {swe: {unit: inch}}}]}\narchive:")
    assert told(home) == ([], False)


def test_an_elevation_in_feet(home):
    edit(home, "elevation: elevation.tif", "elevation: elevation.tif, elevation_unit: foot")
    assert told(home) == (["elevations in feet"], False)
    edit_table(home, "sites.csv", lambda t: t.assign(elevation_m=t["elevation_m"] * 0.3048**2))
    assert told(home) == (["terrain against the sites"], True)


def test_zones_of_another_place_stop_the_night_with_the_places(home):
    text = (home / "zones.geojson").read_text("utf-8")
    (home / "zones.geojson").write_text(text.replace("-32.9", "-26.9").replace("-33.0", "-27.0"), "utf-8")
    edit(home, "32625", "32626")
    with pytest.raises(
        InputError, match=r"the sites around 44.0. N 32.9. W: the zones declare a wrong coordinate system"
    ):
        read_inputs(read_settings(home / "basin.yaml"), DAY, lambda _stage: None)
