"""The archive's front page: each basin's newest day, from that day's files, and the same in the terminal."""

import datetime as dt
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from made_day import made_day
from made_pages import provenance, read_page, with_flight

from snowtally.cli.status_of_many import ManyBasins
from snowtally.inspection.verify import verify
from snowtally.publishing.publish import publish
from snowtally.report import pages
from snowtally.report.front import basin_now, outline

SMALL = {"height": 8, "width": 9}
ITEM_OF_DAY = "larkmoor/2031-03-08/r001/item.json"


@pytest.fixture(scope="module")
def two_basins(tmp_path_factory):
    root = tmp_path_factory.mktemp("front") / "archive"
    for n, date in enumerate(("2031-02-20", "2031-03-07", "2031-03-08")):
        day = with_flight(made_day(date, extra_mm=6.0 * n, **SMALL))
        normals = pd.DataFrame({
            "level": ["basin"], "site_id": ["larkmoor"], "swe_mm": [300.0], "normal_mm": [250.0], "per_cent": [120.0], "period": ["2006-2030"],
        })  # fmt: skip
        publish(root, replace(day, normals=normals), provenance(date))
    other = replace(made_day("2031-03-06", basin="ostfell", **SMALL), title="Ostfell Burn at Stakes")
    publish(root, other, provenance("other", degraded=["Station 007 is silent."]))
    return root


def rows_of(page):
    return {key: {n.of: n.value for n in page.numbers if n.key == key} for key in ("larkmoor", "ostfell")}


def test_every_number_of_the_front_page_is_the_archives(two_basins):
    path = pages.make_front_page(two_basins, "larkmoor")
    page = read_page(path)
    totals = {
        date: pd.read_csv(two_basins / f"larkmoor/{date}/r001/totals.csv").iloc[0] for date in ("2031-02-20", "2031-03-07", "2031-03-08")
    }  # fmt: skip
    flight, before, newest = totals.values()
    changes = [n.value for n in page.numbers if n.key == "larkmoor" and n.of == "change_m3"]
    assert changes == [newest["volume_m3"] - then["volume_m3"] for then in (before, flight)]
    row = rows_of(page)["larkmoor"]
    for of in ("volume_m3", "volume_se_m3", "volume_p10_m3", "volume_p90_m3"):
        assert row[of] == newest[of], of
    assert row["change_se_m3"] == pytest.approx(np.sqrt(newest["volume_se_m3"] ** 2 - flight["volume_se_m3"] ** 2))
    assert row["per_cent"] == 120.0
    text = " ".join("".join(page.text).split())
    assert "degraded: Station 007 is silent" in text
    assert "flight, 2031-02-20" in text
    links = {said["href"] for tag, said in page.tags if tag == "a"}
    assert {"larkmoor/2031-03-08/report.html", "ostfell/season.html"} <= links
    assert verify(two_basins, "larkmoor", lambda _stage: None).troubles == []


def test_the_front_page_does_not_read_what_grows_and_tells_of_a_basin_that_cannot_be_read(two_basins):
    before = pages.make_front_page(two_basins, "larkmoor").read_bytes()
    grown = [two_basins / "larkmoor" / name for name in ("totals.parquet", "index.parquet")]
    data = [path.read_bytes() for path in grown]
    for path in grown:
        path.unlink()
    assert pages.make_front_page(two_basins, "larkmoor").read_bytes() == before
    for path, content in zip(grown, data, strict=True):
        path.write_bytes(content)
    latest = two_basins / "ostfell" / "latest.json"
    said = latest.read_bytes()
    latest.write_text("{", "utf-8")
    text = "".join(read_page(pages.make_front_page(two_basins, "larkmoor")).text)
    latest.write_bytes(said)
    assert "cannot be read" in text
    assert "Larkmoor Fork" in text


DAY = dt.date(2031, 3, 8)


def test_an_outline_lies_where_the_basin_does(two_basins):
    (ring,) = outline(two_basins, "larkmoor", DAY)
    west, south, east, north = json.loads((two_basins / ITEM_OF_DAY).read_text("utf-8"))["bbox"]
    # Within what is too fine for the small map: a sixtieth of the basin's longer side.
    fine = max(east - west, north - south) / 60
    box = (*ring.min(axis=0), *ring.max(axis=0))
    assert box == pytest.approx((west, south, east, north), abs=fine)


@pytest.mark.parametrize("item", [
    {"assets": {}},  # of before the outline: a box around the grid
    {"bbox": [179.9, 44.0, -179.9, 44.2]},  # over the antimeridian: two boxes
    {"geometry": None},
])  # fmt: skip
def test_where_the_item_has_a_box_alone_the_outline_is_the_grids(two_basins, monkeypatch, item):
    (known,) = outline(two_basins, "larkmoor", DAY)
    path = two_basins / ITEM_OF_DAY
    said = json.loads(path.read_text("utf-8"))
    # Far off: what is drawn cannot be the item's.
    said["geometry"] = {"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 9], [0, 0]]]}
    read = Path.read_text
    changed = json.dumps(said | item)
    monkeypatch.setattr(Path, "read_text", lambda self, *how: changed if self == path else read(self, *how))
    (ring,) = outline(two_basins, "larkmoor", DAY)
    assert np.ptp(ring, axis=0) == pytest.approx(np.ptp(known, axis=0), rel=0.3)
    assert ring.mean(axis=0) == pytest.approx(known.mean(axis=0), abs=0.01)


def test_the_terminal_tells_the_same_of_several_basins(two_basins):
    told = ManyBasins([basin_now(two_basins, name) for name in ("larkmoor", "ostfell")], [dt.date(2031, 3, 9)] * 2, 2)
    page = read_page(pages.make_front_page(two_basins, "larkmoor"))
    first, second = told.to_json()["basins"]
    assert first["volume_m3"] == rows_of(page)["larkmoor"]["volume_m3"]
    assert first["change_since_survey"]["se_m3"] == rows_of(page)["larkmoor"]["change_se_m3"]
    assert (first["age_days"], first["degraded"], second["degraded"]) == (1, "", "Station 007 is silent")
    # The second one's newest day is three days old.
    assert told.status == 1
    assert replace(told, max_age_days=3).status == 3
    assert any("Station 007 is silent" in part for part in told.to_table() if isinstance(part, str))
