"""Two revisions side by side: figures against those published, the map against the rasters, and what cannot be compared."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import rasterio
from made_day import made_day
from rich.table import Table

from snowtally.cli.compare import CompareResult
from snowtally.cli.values import volume
from snowtally.inspection.change_error import DatedError, change_error
from snowtally.inspection.compare import compare, find_side
from snowtally.inspection.compare_files import draw, write_files
from snowtally.model.problems import ArchiveError
from snowtally.publishing.publish import publish
from snowtally.reading import load_record
from snowtally.report.units import METRIC, US


def held(archive, a, b, other=None):
    return compare("larkmoor", find_side(archive, "larkmoor", a), find_side(other or archive, "larkmoor", b))


def test_the_map_is_one_less_the_other_as_published(archive):
    found = held(archive, "2031-03-01@1", "2031-03-01@2")
    maps = []
    for number in (1, 2):
        with rasterio.open(archive / "larkmoor" / "2031-03-01" / f"r{number:03d}" / "swe.tif") as file:
            maps.append(file.read(1))
    np.testing.assert_allclose(found.swe_change_mm.to_numpy(), maps[1] - maps[0], atol=1e-4)
    # Ten millimetres more everywhere that snow lies.
    assert set(np.unique(np.round(found.swe_change_mm.to_numpy()[maps[0] > 0]))) == {10.0}


def test_totals_stand_side_by_side_with_the_error_of_their_change(archive):
    totals = held(archive, "2031-03-01@1", "2031-03-01@2").totals
    one, other = (pd.read_parquet(archive / "larkmoor" / "2031-03-01" / f"r00{n}" / "totals.parquet") for n in (1, 2))
    assert len(totals) == len(one)
    assert totals["level"].iloc[0] == "basin"
    basin, a, b = totals.iloc[0], one.iloc[0], other.iloc[0]
    assert (basin["volume_m3_a"], basin["volume_m3_b"]) == (a["volume_m3"], b["volume_m3"])
    assert basin["change_m3"] == b["volume_m3"] - a["volume_m3"] > 0
    records = [load_record(archive / "larkmoor" / "2031-03-01" / f"r00{n}") for n in (1, 2)]
    sides = [DatedError.of(record, row["volume_se_m3"]) for record, row in zip(records, (a, b), strict=True)]
    assert basin["change_m3_se"] == pytest.approx(change_error(*sides))
    # In zones and bands as much of it is shared.
    apart = np.hypot(totals["volume_se_m3_a"], totals["volume_se_m3_b"])
    np.testing.assert_allclose(totals["change_m3_se"] / apart, basin["change_m3_se"] / apart[0])


def test_a_date_alone_is_what_stands_and_with_a_number_a_revision(archive):
    assert find_side(archive, "larkmoor", "2031-03-01").name == "2031-03-01@2"
    assert find_side(archive, "larkmoor", "2031-03-01@1").name == "2031-03-01@1"
    with pytest.raises(
        ArchiveError, match=r"'2031-03-01@x' is no revision. Write a date such as 2031-03-01, or 2031-03-01@2"
    ):
        find_side(archive, "larkmoor", "2031-03-01@x")
    with pytest.raises(ArchiveError, match="has no revision 9"):
        find_side(archive, "larkmoor", "2031-03-01@9")


def test_a_revision_held_against_itself_differs_in_nothing(archive):
    found = held(archive, "2031-03-05", "2031-03-05")
    assert (found.files, found.models, found.changes["rows"], found.changes["settings"]) == ([], [], {}, [])
    assert found.changes["code"] is None
    assert float(np.nanmax(np.abs(found.swe_change_mm))) == 0
    assert (found.totals["change_m3"] == 0).all()
    assert (found.sites["estimate_change_mm"] == 0).all()


def test_a_side_archive_is_held_against_the_real_one(archive, tmp_path, provenance):
    publish(tmp_path, made_day("2031-03-01", extra_mm=30), provenance("what if", settings={"checks": {"spike_mm": 40}}))
    found = held(archive, "2031-03-01@1", "2031-03-01", tmp_path)
    assert {"key": "checks.spike_mm", "was": None, "is": 40} in found.changes["settings"]
    assert float(np.nanmax(found.swe_change_mm)) == pytest.approx(30, abs=0.2)


@pytest.mark.parametrize("shape", [{"width": 41}, {"width": 20, "height": 15}])
def test_where_only_part_of_the_cells_is_shared_the_map_is_of_those(archive, tmp_path, provenance, shape):
    publish(tmp_path, made_day("2031-03-01", **shape), provenance("a"))
    found = held(archive, "2031-03-01", "2031-03-01", tmp_path)
    assert not found.no_map
    assert found.swe_change_mm.shape == (min(30, shape.get("height", 30)), min(40, shape["width"]))


def test_without_a_cell_in_common_there_is_no_map_and_it_is_said(archive, tmp_path, provenance):
    day = made_day("2031-03-01")
    grid = replace(day.grid, left=day.grid.left + 50.0)
    moved = replace(day, grid=grid, fields=day.fields.assign_coords(x=grid.x))
    publish(tmp_path, moved, provenance("a"))
    found = held(archive, "2031-03-01", "2031-03-01", tmp_path)
    assert found.swe_change_mm is None
    assert "no cells in common" in found.no_map
    assert "difference.tif" not in write_files(
        found, "larkmoor", CompareResult("larkmoor", found, METRIC).to_json(), tmp_path / "files"
    )


def test_files_on_request(archive, tmp_path):
    found = held(archive, "2031-03-01@1", "2031-03-05")
    names = write_files(found, "larkmoor", CompareResult("larkmoor", found, METRIC).to_json(), tmp_path / "a")
    assert names == ["comparison.json", "difference.png", "difference.tif", "sites.csv", "totals.csv"]
    with (
        rasterio.open(tmp_path / "a" / "difference.tif") as file,
        rasterio.open(archive / "larkmoor" / "2031-03-05" / "r001" / "swe.tif") as swe,
    ):
        assert (file.transform, file.crs, file.shape) == (swe.transform, swe.crs, swe.shape)
        assert file.units == ("mm",)
        np.testing.assert_array_equal(file.read(1), found.swe_change_mm.to_numpy())
    # The same comparison, the same files.
    write_files(found, "larkmoor", CompareResult("larkmoor", found, METRIC).to_json(), tmp_path / "b")
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes(), name
    with pytest.raises(ArchiveError, match=r"Cannot write the comparison into .*: a file is in the way of a folder"):
        write_files(found, "larkmoor", {}, tmp_path / "a" / "sites.csv")


@pytest.mark.filterwarnings("ignore::rasterio.errors.NotGeoreferencedWarning")
def test_the_picture_is_red_for_less_and_blue_for_more(archive, tmp_path):
    for sign, strong, weak in ((1, 2, 0), (-1, 0, 2)):
        change = held(archive, "2031-03-01@1", "2031-03-01@2").swe_change_mm * sign
        change.attrs = held(archive, "2031-03-01@1", "2031-03-01@2").swe_change_mm.attrs
        draw(change, tmp_path / "difference.png")
        with rasterio.open(tmp_path / "difference.png") as file:
            middle = file.read()[:3, file.height // 2, file.width // 3].astype(int)
        assert middle[strong] > middle[weak]


def test_sites_that_moved_most_come_first(archive, tmp_path, provenance):
    day = made_day("2031-03-01")
    sites = day.sites.assign(estimate_mm=[250.0, 300.0])
    publish(tmp_path, replace(day, sites=sites), provenance("a"))
    found = held(archive, "2031-03-01", "2031-03-01", tmp_path).sites
    assert found["site_id"].tolist() == ["007", "NA"]
    assert found["estimate_change_mm"].round(2).tolist() == [49.0, -1.0]


def test_totals_are_told_in_the_units_of_the_settings(archive):
    found = held(archive, "2031-03-01@1", "2031-03-01@2")
    basin = found.totals.iloc[0]
    for units, swe_per_mm, names in ((METRIC, 1.0, ("million m3", "mm")), (US, 1 / 25.4, ("acre-feet", "in"))):
        totals, sites = (part for part in CompareResult("larkmoor", found, units).to_table() if isinstance(part, Table))
        assert totals.title == f"Totals, {names[0]} and {names[1]}"
        assert sites.title == f"Sites where the map changed most, {names[1]}"
        shown = [next(iter(column.cells)) for column in totals.columns]
        assert (shown[0], shown[1]) == ("basin", volume(basin["volume_m3_a"], units))
        assert float(shown[7]) == pytest.approx(basin["swe_mean_mm_a"] * swe_per_mm, abs=0.5 * 10**-units.swe.decimals)
        # Ten millimetres more everywhere that snow lies.
        most = f"{10 * swe_per_mm:+.{units.swe.decimals}f} {names[1]}"
        assert any(
            isinstance(part, str) and part.endswith(f"to {most}")
            for part in CompareResult("larkmoor", found, units).to_table()
        )
