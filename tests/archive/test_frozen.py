"""Archives of earlier versions are read for ever.

`frozen/layout_1` was written by the version of before record version 2, `frozen/record_2` by that of before version 3.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from made_day import made_day

from snowtally import reading
from snowtally.archive.current import Loss
from snowtally.inspection.compare import compare, find_side
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError
from snowtally.publishing.archived_inputs import read_archived
from snowtally.publishing.publish import left_as_it_is, publish, rebuild_derived, withdraw
from snowtally.report.pages import make_day_page

FROZEN = Path(__file__).with_name("frozen") / "layout_1"


@pytest.fixture
def old(tmp_path):
    return Path(shutil.copytree(FROZEN, tmp_path / "archive"))


def revision_files(root: Path) -> dict[str, str]:
    paths = sorted(path for path in root.rglob("r0*/*") if path.is_file())
    return {str(path.relative_to(root)): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def test_an_old_archive_is_read():
    assert reading.list_days(FROZEN, "larkmoor")["revision"].tolist() == [1, 1]
    with reading.open_day(FROZEN, "larkmoor", "2031-03-05") as day:
        assert float(day["swe"].max()) > 300
        assert set(np.unique(day["elevation_band"])) >= {1.0, 2.0}
    with reading.open_days(FROZEN, "larkmoor", "2031-03-01", "2031-03-05") as days:
        assert days.sizes["time"] == 2
    assert reading.read_totals(FROZEN, "larkmoor").query("level == 'basin'")["revision"].tolist() == [1, 1]
    assert reading.read_sites(FROZEN, "larkmoor", "2031-03-05")["site_id"].tolist() == ["NA", "007"]
    told = [reading.read_record(FROZEN, "larkmoor", "2031-03-01", number) for number in (1, 2)]
    # What version 1 did not say comes with its meaning: the reason told who published.
    assert [(r["schema_version"], r["command"], r["changes"]) for r in told] == [
        (1, "update", None),
        (1, "rerun", None),
    ]


@pytest.mark.usefixtures("packing")
def test_days_of_two_layouts_are_one_dataset(old, provenance):
    new = made_day("2031-03-06", height=8, width=9)
    publish(old, new, provenance("e" * 64))
    with reading.open_days(old, "larkmoor", "2031-03-01", "2031-03-06") as days:
        assert days["elevation_band"].dims == days["swe"].dims == ("time", "y", "x")
        assert "band" not in days.variables
        for number, date in enumerate(("2031-03-01", "2031-03-05", "2031-03-06")):
            with reading.open_day(old, "larkmoor", date) as day:
                assert (day["swe"].dims, day["time"].dims, day["time"]) == (("y", "x"), (), days["time"][number])
                for name in ("swe", "elevation_band", "elevation"):
                    np.testing.assert_array_equal(days[name][number], day[name])
                assert day["elevation_band"].attrs["flag_meanings"].startswith("1800_to_2000_m ")
        stored = new.fields["elevation_band"]
        np.testing.assert_array_equal(days["elevation_band"][-1].fillna(0), stored)


def test_an_old_archive_is_sound_once_what_is_derived_has_its_new_columns(old):
    assert [t.path for t in verify(old, "larkmoor", lambda _: None).troubles] == ["larkmoor/index.parquet"]
    rebuild_derived(old, "larkmoor")
    found = verify(old, "larkmoor", lambda _: None)
    assert (found.troubles, found.revisions) == ([], 3)


def test_rows_kept_by_an_old_version_are_read(old):
    kept = reading.read_record(old, "larkmoor", "2031-03-05")["kept_inputs"]
    rows, _ = read_archived(old, "larkmoor", kept)
    assert rows["courses"]["swe_mm"].iloc[0] == 310.5


def test_an_old_archive_is_told_of_and_compared(old):
    told = status(old, "larkmoor", dt.date(2031, 3, 8), "10-01")
    assert told.days["season"].unique().tolist() == ["2030-2031"]
    assert [str(date) for date in told.missing] == [
        "2031-03-02",
        "2031-03-03",
        "2031-03-04",
        "2031-03-06",
        "2031-03-07",
    ]
    found = compare("larkmoor", find_side(old, "larkmoor", "2031-03-01@1"), find_side(old, "larkmoor", "2031-03-01@2"))
    assert float(found.swe_change_mm.max()) == pytest.approx(10.0, abs=0.2)


def test_an_old_archive_is_written_on(old, provenance):
    before = revision_files(old)
    # The withdrawn revision 2 was an analyst's; the night's revision 1 stands and may be followed by another.
    assert left_as_it_is(old, "larkmoor", dt.date(2031, 3, 1), provenance("d" * 64)) is None
    assert publish(old, made_day("2031-03-01", height=8, width=9), provenance("d" * 64)).revision == 3
    assert publish(old, made_day("2031-03-06", height=8, width=9), provenance("e" * 64)).revision == 1
    withdraw(old, "larkmoor", dt.date(2031, 3, 5), 1, "wrong tare")
    assert reading.list_days(old, "larkmoor")["revision"].tolist() == [3, 1]
    assert verify(old, "larkmoor", lambda _: None).troubles == []
    assert before.items() <= revision_files(old).items()
    # Programs of before must not take what is written now for damaged.
    assert json.loads((old / "archive.json").read_text("utf-8"))["layout"] == 2
    # Revisions without an item are in no catalogue; the new ones are.
    season = json.loads((old / "larkmoor" / "2030-2031.json").read_text("utf-8"))
    assert [link["href"] for link in season["links"] if link["rel"] == "item"] == [
        "./2031-03-01/r003/item.json", "./2031-03-06/r001/item.json",
    ]  # fmt: skip


def test_a_record_of_a_newer_version_is_refused(old):
    path = old / "larkmoor" / "2031-03-05" / "r001" / "record.json"
    path.write_text(path.read_text("utf-8").replace('"schema_version": 1', '"schema_version": 4'), "utf-8")
    line = r"record.json is of version 4; this snowtally reads up to 3. Install a newer one."
    with pytest.raises(ArchiveError, match=line):
        reading.read_record(old, "larkmoor", "2031-03-05")
    # It is refused by itself: what is derived tells of the others, and of this date what can be told without its record.
    assert rebuild_derived(old, "larkmoor") == 2
    days = status(old, "larkmoor", dt.date(2031, 3, 8), "10-01").days
    assert days["degraded"].tolist() == [False, True]
    (trouble,) = verify(old, "larkmoor", lambda _: None).troubles
    assert "install that one. It is not damaged" in trouble.cure


# --- record version 2: what degraded a day was told in sentences alone -------------------------------------------------

RECORD_2 = FROZEN.with_name("record_2")
LATER = Loss("missing file", "courses", "courses.csv", whole=True, reason="courses.csv is not there")


@pytest.fixture
def before_losses(tmp_path):
    return Path(shutil.copytree(RECORD_2, tmp_path / "archive"))


def test_a_degraded_revision_of_before_losses_stays_current_as_it_was(before_losses):
    # It replaced a sound one, as the newest always did.
    for damaged in (False, True):
        assert reading.list_days(before_losses, "larkmoor")["revision"].tolist() == [2, 1]
        assert reading.current_revision(before_losses, "larkmoor", "2031-03-01").number == 2
        told = status(before_losses, "larkmoor", dt.date(2031, 3, 8), "10-01")
        assert (told.days["standing"].tolist(), told.held_back) == ([2, 1], {})
        if not damaged:
            (before_losses / "larkmoor" / "index.parquet").write_bytes(b"")
    rebuild_derived(before_losses, "larkmoor")
    assert json.loads((before_losses / "larkmoor" / "2031-03-01" / "current.json").read_text("utf-8"))["revision"] == 2
    assert verify(before_losses, "larkmoor", lambda _: None).troubles == []
    page = make_day_page(before_losses, "larkmoor", dt.date(2031, 3, 1), "metric").read_text("utf-8")
    assert "missing file (no such file): stations.csv is not there" in page


def test_what_follows_a_revision_of_before_losses_is_judged_as_far_as_it_can_be(before_losses, provenance):
    # Degraded after a degraded one whose losses nobody can compare: current, as ever. Sound: current. Degraded after it: held back.
    for inputs, losses, current in (("d", [LATER], 3), ("e", [], 4), ("f", [LATER], 4)):
        day = made_day("2031-03-01", height=8, width=9)
        assert publish(before_losses, day, provenance(inputs, degraded=losses)).current.number == current
    assert verify(before_losses, "larkmoor", lambda _: None).troubles == []
