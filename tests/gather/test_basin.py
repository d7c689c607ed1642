"""The basin on its grid is made once, and read again the same; another file of the elevation or the canopy makes it anew."""

import datetime as dt
import json
import zipfile

import numpy as np
import pytest
import rasterio
import rasterio.shutil
from made_basin import LEFT, TOP, write_raster

from snowtally.gather import basin as gather_basin
from snowtally.gather import sources as gather_sources
from snowtally.gather.day import read_inputs
from snowtally.settings.basin import read_settings

DAY = dt.date(2031, 3, 5)


class AnewError(Exception):
    """Raised where the terrain is read."""


@pytest.fixture
def settings(home):
    """The settings of a basin with a canopy."""
    shade = np.tile(np.linspace(0.0, 0.8, 100), (100, 1))
    write_raster(home / "canopy.tif", shade, 100, LEFT - 1000, TOP + 1000)
    file = home / "basin.yaml"
    file.write_text(file.read_text().replace("elevation.tif}", "elevation.tif, canopy: canopy.tif}"))
    return read_settings(file)


@pytest.fixture
def read(settings, monkeypatch):
    """Return what reads the basin, keeping what it made, and the list of what was made."""
    made = []

    def counted(module, name):
        original = getattr(module, name)

        def count(*given):
            made.append(name)
            return original(*given)

        monkeypatch.setattr(module, name, count)

    counted(gather_basin, "read_terrain")
    counted(gather_sources, "fraction_on_grid")

    def once():
        made.clear()
        readings = read_inputs(settings, DAY, lambda _: None, keep=True)
        return readings, sorted(made)

    return once


def test_made_once_and_read_the_same(read):
    (first, made), (second, again) = read(), read()
    assert made == ["fraction_on_grid", "read_terrain"]
    assert again == []
    one, other = first.inputs.basin, second.inputs.basin
    assert one.terrain.identical(other.terrain)
    assert one.bands == other.bands
    assert first.hashes == second.hashes
    assert [finding.plain() for finding in first.findings] == [finding.plain() for finding in second.findings]


@pytest.mark.parametrize(
    ("name", "anew"), [("elevation", ["read_terrain"]), ("canopy", ["fraction_on_grid", "read_terrain"])]
)
def test_another_file_is_read_anew(read, settings, name, anew):
    before, _ = read()
    path = settings.path(getattr(settings.terrain, name)[0])
    with rasterio.open(path, "r+") as file:
        values = file.read(1)
        file.write(values * 0.9, 1)
    after, made = read()
    assert made == anew
    was, now = (one.inputs.basin.terrain[name].to_numpy() for one in (before, after))
    np.testing.assert_allclose(now, 0.9 * was, rtol=1e-6)


def test_zones_of_another_outline_are_read_anew(read, settings):
    before, _ = read()
    path = settings.path(settings.basin.zones)
    zones = json.loads(path.read_text("utf-8"))
    west, east = (zone["properties"] for zone in zones["features"])
    west["zone_id"], east["zone_id"] = east["zone_id"], west["zone_id"]
    path.write_text(json.dumps(zones), "utf-8")
    after, made = read()
    assert made == ["read_terrain"]
    was, now = (one.inputs.basin.terrain["zone"].to_numpy() for one in (before, after))
    assert (was != now).any()


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("width_m: 200", "width_m: 250"),
        ("elevation.tif,", "elevation.tif, voids: [1900.0],"),
        ("elevation.tif,", "elevation.tif, elevation_unit: foot,"),
        ("margin_m: 500", "margin_m: 400"),
    ],
)
def test_other_settings_of_the_ground_are_read_anew(read, settings, monkeypatch, old, new):
    read()
    text = settings.file.read_text("utf-8")
    assert old in text
    settings.file.write_text(text.replace(old, new), "utf-8")

    def anew(*_given):
        raise AnewError

    monkeypatch.setattr(gather_basin, "read_terrain", anew)
    with pytest.raises(AnewError):
        read_inputs(read_settings(settings.file), DAY, lambda _: None, keep=True)


def test_a_raster_out_of_an_archive_is_read_each_time(settings):
    """What lies in a zip file has no hash of its own: the virtual raster over it says nothing of another content."""
    path = settings.path(settings.terrain.elevation[0])
    with zipfile.ZipFile(path.with_suffix(".zip"), "w") as archive:
        archive.write(path, "in.tif")
    rasterio.shutil.copy(f"/vsizip/{path.with_suffix('.zip')}/in.tif", path.with_suffix(".vrt"), driver="VRT")
    path.unlink()
    text = settings.file.read_text("utf-8")
    settings.file.write_text(text.replace("elevation.tif", "elevation.vrt"), "utf-8")
    virtual, made = read_settings(settings.file), []
    for _ in range(2):
        read_inputs(virtual, DAY, lambda _: None, keep=True)
        made.append(len(list(virtual.cache_folder("readings").glob("*.terrain"))))
    assert made == [0, 0]
