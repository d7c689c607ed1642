"""A night of a small basin whose inputs are lost or damaged after a sound one: degraded by name, and never with another basin's bytes."""

import datetime as dt
import json
import shutil

import numpy as np
import pandas as pd
import pytest
import rasterio

from snowtally.gather.before import newest_sound
from snowtally.gather.day import read_inputs
from snowtally.model.rules import before
from snowtally.operations import run
from snowtally.operations.rebuild import rebuild_revision
from snowtally.settings.basin import read_settings

LOST_INPUT, CHANGED_VALUES = before.LOST_ROWS.name, before.CHANGED_VALUES.name
DAY, NEXT = dt.date(2031, 3, 4), dt.date(2031, 3, 5)


def quiet(_stage):
    pass


@pytest.fixture(scope="module")
def published(basin):
    """Return the basin's folder with one sound day in its archive."""
    outcome = run.update(read_settings(basin / "basin.yaml"), DAY, quiet)
    assert outcome.readings.degraded == []
    return basin


@pytest.fixture
def home(published, tmp_path):
    """Return a copy to harm."""
    return shutil.copytree(published, tmp_path / "home")


def degrading(home, date=NEXT, **how):
    findings = read_inputs(read_settings(home / "basin.yaml"), date, quiet, **how).findings
    return [finding for finding in findings if finding.degrades]


def edited(name, change):
    def harm(home):
        (home / name).write_text(change((home / name).read_text()))

    return harm


def scaled(name, column, factor):
    def harm(home):
        table = pd.read_csv(home / name)
        table.assign(**{column: table[column] * factor}).to_csv(home / name, index=False)

    return harm


def raster(name, change):
    def harm(home):
        with rasterio.open(home / name) as source:
            values, profile = source.read(1), source.profile
        (home / name).unlink()
        with rasterio.open(home / name, "w", **profile) as to:
            to.write(change(values).astype(profile["dtype"]), 1)

    return harm


def renamed(old, new):
    return lambda text: text.replace(old, new, 1)


def half(text):
    lines = text.splitlines(keepends=True)
    return "".join(lines[: len(lines) // 2])


def without(word):
    return lambda text: "".join(line for line in text.splitlines(keepends=True) if word not in line)


def header(text):
    return text.splitlines(keepends=True)[0]


def first_zone(change):
    def harm(home):
        zones = json.loads((home / "zones.geojson").read_text())
        change(zones["features"])
        (home / "zones.geojson").write_text(json.dumps(zones))

    return harm


HARMS = {
    "sites header": (edited("sites.csv", header), "sites.csv"),
    "sites one gone": (edited("sites.csv", without("S5,")), "sites.csv"),
    "sites commas": (edited("sites.csv", lambda t: t.replace(",", ";").replace(".", ",")), "sites.csv"),
    "sites degrees swapped": (edited("sites.csv", lambda t: t.replace("longitude,latitude", "latitude,longitude")), "sites.csv"),
    "courses header": (edited("courses.csv", header), "courses.csv"),
    "courses half": (edited("courses.csv", half), "courses.csv"),
    "courses one gone": (edited("courses.csv", without("S2,")), "courses.csv"),
    "courses swe renamed": (edited("courses.csv", renamed("swe_mm", "water")), "courses.csv"),
    "courses depth renamed": (edited("courses.csv", renamed("depth_cm", "hs")), "courses.csv"),
    "courses inches": (scaled("courses.csv", "swe_mm", 1 / 25.4), "courses.csv"),
    "courses millimetres": (scaled("courses.csv", "depth_cm", 10.0), "courses.csv"),
    "stations gone": (lambda home: (home / "stations.csv").unlink(), "stations.csv"),
    "stations half": (edited("stations.csv", half), "stations.csv"),
    "stations one gone": (edited("stations.csv", without("S3,")), "stations.csv"),
    "stations swe renamed": (edited("stations.csv", renamed("swe_mm", "w")), "stations.csv"),
    "stations swe inches": (scaled("stations.csv", "swe_mm", 1 / 2.54), "stations.csv"),
    "stations dates swapped": (edited("stations.csv", lambda t: t.replace("2031-03-0", "2031-0-03")), "stations.csv"),
    "flights header": (edited("flights.csv", header), "flights.csv"),
    "flight row gone": (edited("flights.csv", lambda _t: "flight_id,date,depth\nF0,2030-01-02,depth.tif\n"), "flights.csv"),
    "flight raster gone": (lambda home: (home / "depth.tif").unlink(), "flights.csv"),
    "flight feet": (raster("depth.tif", lambda depth: depth / 0.3048), "flights.csv"),
    "flight half empty": (raster("depth.tif", lambda d: np.where(np.arange(d.shape[1]) < d.shape[1] // 2, np.nan, d)), "flights.csv"),
    "elevation moved": (raster("elevation.tif", lambda height: height + 60), "elevation.tif"),
    "zone gone": (first_zone(lambda features: features.pop()), "zones.geojson"),
}  # fmt: skip


TOGETHER = [
    ("sites header",),
    ("sites one gone",),
    ("sites commas",),
    ("sites degrees swapped",),
    ("courses header", "stations one gone", "flight feet"),
    ("courses half", "stations half", "flight half empty"),
    ("courses one gone", "stations gone"),
    ("stations swe inches", "elevation moved"),
    ("courses swe renamed", "stations dates swapped", "zone gone"),
    ("courses depth renamed", "stations swe renamed", "flight raster gone"),
    ("courses inches", "flights header"),
    ("courses millimetres", "flight row gone"),
]
"""Harms of one night: of files that none of the others has named. What harms the sites gets others named, and so do inches."""


@pytest.mark.parametrize("names", TOGETHER, ids=" and ".join)
def test_harmed_inputs_degrade_the_night_and_are_named(home, names):
    for name in names:
        HARMS[name][0](home)
    found = degrading(home)
    assert {HARMS[name][1] for name in names} <= {finding.file.rsplit("/", 1)[-1] for finding in found}, found
    assert all(finding.detail for finding in found)


def test_every_harm_is_tried_once():
    assert sorted(name for names in TOGETHER for name in names) == sorted(HARMS)


def test_what_people_do_to_single_rows_degrades_nothing(home):
    assert degrading(home) == []
    table = pd.read_csv(home / "courses.csv")
    table.loc[3, "swe_mm"] += 40
    table.drop(index=[8]).to_csv(home / "courses.csv", index=False)
    with (home / "stations.csv").open("a") as stations:
        stations.write("S1,2031-03-05T12:00Z,900,300\n")
    assert degrading(home) == []
    (home / "overrides.csv").write_text("site_id,start,end,variable,action,value,who,when,why\n")
    settings = (home / "basin.yaml").read_text().replace("flights: flights.csv}", "overrides: overrides.csv}")
    (home / "basin.yaml").write_text(settings)
    assert degrading(home) == [], "a table taken out of the settings is a decision"


def test_an_older_date_lacks_no_override_that_begins_after_it(home):
    lines = ["site_id,start,end,variable,action,value,who,when,why"]
    lines += [f"S1,2031-03-0{day},,swe_mm,set aside,,N. Keeper,2031-03-05,trial" for day in (2, 4)]
    (home / "overrides.csv").write_text("\n".join(lines) + "\n")
    settings = (home / "basin.yaml").read_text().replace("flights.csv}", "flights.csv, overrides: overrides.csv}")
    (home / "basin.yaml").write_text(settings)
    published = run.update(read_settings(home / "basin.yaml"), DAY, quiet)
    assert published.readings.degraded == []
    assert len(published.readings.rows["overrides"]) == 2
    assert degrading(home, dt.date(2031, 3, 1)) == []
    assert degrading(home, dt.date(2031, 3, 3)) == []
    (home / "overrides.csv").write_text(lines[0] + "\n")
    assert [(one.rule.name, one.table) for one in degrading(home, dt.date(2031, 3, 3))] == [(LOST_INPUT, "overrides")]


def test_voids_that_are_filled_hide_no_other_heights(home):
    raster(
        "elevation.tif",
        lambda height: np.where(np.arange(height.size).reshape(height.shape) == 1500, -9999, height + 60),
    )(home)
    findings = read_inputs(read_settings(home / "basin.yaml"), NEXT, quiet).findings
    told = {finding.rule.name for finding in findings if finding.file.endswith("elevation.tif")}
    assert {"voids in the terrain", CHANGED_VALUES} <= told


def test_check_tells_the_same_and_a_rerun_by_hand_takes_changed_values_over_but_no_loss(home):
    scaled("stations.csv", "swe_mm", 0.5)(home)
    assert [finding.rule.name for finding in degrading(home)] == [CHANGED_VALUES]
    assert degrading(home, by_hand=True) == []
    edited("stations.csv", without("S3,"))(home)
    assert LOST_INPUT in [finding.rule.name for finding in degrading(home, by_hand=True)]


def test_a_degraded_revision_is_rebuilt_from_the_archive_alone_and_may_be_made_what_others_are_held_against(home):
    settings = read_settings(home / "basin.yaml")
    edited("stations.csv", renamed("swe_mm", "w"))(home)
    assert degrading(home)
    by_hand = run.Run(command="rerun", reason="the pillows were given up", make_current=True)
    outcome = run.update(settings, DAY, quiet, by_hand)
    assert any("2031-03-04@1" in reason for reason in outcome.readings.degraded)
    found = newest_sound(settings, NEXT).revision
    assert (found.date, found.number) == (DAY, 2)
    assert degrading(home) == [], "what a person gave up is not held against the next nights"
    for name in ("stations.csv", "courses.csv", "sites.csv", "depth.tif"):
        (home / name).write_text("gone\n")
    assert rebuild_revision(settings, DAY, 2, quiet).reproduced


def test_the_reference_is_sound_not_withdrawn_and_readable(home):
    settings = read_settings(home / "basin.yaml")
    archive = settings.archive_root / "made"

    def named(date=NEXT):
        found = newest_sound(settings, date)
        return None if found is None else (str(found.revision.date), found.revision.number)

    assert named() == ("2031-03-04", 1)
    assert named(dt.date(2035, 1, 1)) == ("2031-03-04", 1), "another season's, where there is none of this one"
    shutil.copytree(archive / "2031-03-04", archive / "2031-03-03")
    shutil.copytree(archive / "2031-03-04", archive / "2031-03-06")
    record = archive / "2031-03-06" / "r001" / "record.json"
    record.chmod(0o644)
    assert named() == ("2031-03-06", 1), "later dates of the season know more"
    whole = json.loads(record.read_text())
    record.write_text(json.dumps(whole | {"degraded": True}))
    assert named() == ("2031-03-04", 1)
    record.write_text("damaged")
    assert named() == ("2031-03-04", 1)
    decisions = archive / "decisions.jsonl"
    line = {
        "decision": "withdraw",
        "date": "2031-03-04",
        "revision": 1,
        "reason": "trial",
        "made": "2031-03-05T00:00:00Z",
    }
    decisions.write_text(json.dumps(line) + "\n")
    assert named() == ("2031-03-03", 1)
    shutil.rmtree(archive / "inputs")
    edited("stations.csv", without("S3,"))(home)
    degrading(home)  # Archived inputs that are lost stop no night.
