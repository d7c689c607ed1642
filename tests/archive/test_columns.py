"""Tables of another version of this program: a later column is null for the rows of before, and never makes them unreadable."""

from __future__ import annotations

import datetime as dt
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from made_day import made_day
from made_provenance import make_provenance

from snowtally import reading
from snowtally.archive.columns import COLUMNS, Column, conformed, filled
from snowtally.inspection.compare import compare, find_side
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError
from snowtally.publishing import pack
from snowtally.publishing import publish as archive_module
from snowtally.publishing.publish import publish, rebuild_derived, withdraw
from snowtally.report import published
from snowtally.report.pages import remake, remake_all

pytestmark = pytest.mark.usefixtures("packing")
"""What is packed depends on the columns that this program has."""

FROZEN = Path(__file__).with_name("frozen") / "layout_1"
OLD, NEW = ("2031-03-01", "2031-03-02"), ("2031-03-03", "2031-03-04")
ADDED = {
    "totals": Column("rain_mm", "number", 1, later=True),
    "sites": Column("crew", later=True),
    "skill": Column("seasons", "whole", later=True),
}


def later_version(monkeypatch):
    """Make this program what a later version may be: one more column in three tables. `monkeypatch.undo()` makes it ours again."""
    for name, column in ADDED.items():
        monkeypatch.setitem(COLUMNS, name, (*COLUMNS[name], column))


def later_day(date):
    day = made_day(date, height=8, width=9)
    return replace(
        day,
        totals=day.totals.assign(rain_mm=3.5),
        sites=day.sites.assign(crew="north"),
        skill=day.skill.assign(seasons=4),
    )


@pytest.fixture(scope="module")
def written_by_both(tmp_path_factory):
    """An archive whose older dates this program wrote, and the others a later one."""
    root = tmp_path_factory.mktemp("columns") / "archive"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(archive_module, "pack", pack.pack)
        for date in (*OLD, *NEW):
            if date == NEW[0]:
                later_version(patch)
            day = later_day(date) if date in NEW else made_day(date, height=8, width=9)
            publish(root, day, make_provenance(date))
            assert remake(root, "larkmoor", dt.date.fromisoformat(date), "metric").troubles == []
    return root


@pytest.fixture
def half(written_by_both, tmp_path, monkeypatch):
    """A copy of it, with the later program still in place."""
    later_version(monkeypatch)
    return Path(shutil.copytree(written_by_both, tmp_path / "archive"))


def all_of_it_works(root):
    assert len(reading.list_days(root, "larkmoor")) == 4
    assert rebuild_derived(root, "larkmoor") == 4
    assert verify(root, "larkmoor", lambda _: None).troubles == []
    assert remake_all(root, "larkmoor", "metric", lambda _: None) == []
    assert len(status(root, "larkmoor", dt.date(2031, 3, 5), "10-01").days) == 4
    sides = [find_side(root, "larkmoor", date) for date in (OLD[0], NEW[0])]
    assert len(compare("larkmoor", *sides).sites) == 2
    return True


def test_a_later_version_reads_old_rows_with_nulls(half):
    assert all_of_it_works(half)
    totals = reading.read_totals(half, "larkmoor").query("level == 'basin'")
    assert totals["rain_mm"].fillna(-1).tolist() == [-1, -1, 3.5, 3.5]
    assert reading.revision_totals(reading.current_revision(half, "larkmoor", OLD[0]).path)["rain_mm"].isna().all()
    assert reading.read_sites(half, "larkmoor", OLD[0])["crew"].isna().all()
    assert reading.read_sites(half, "larkmoor", NEW[0])["crew"].tolist() == ["north", "north"]
    assert published.read_day(half, "larkmoor", OLD[0]).skill["seasons"].isna().all()
    gathered = pq.read_table(half / "larkmoor" / "totals.parquet").to_pandas()
    assert gathered.groupby("date")["rain_mm"].first().fillna(-1).tolist() == [-1, -1, 3.5, 3.5]


def test_an_earlier_version_reads_a_later_one(half, monkeypatch, provenance):
    monkeypatch.undo()
    # What the later version derived is no trouble, and its column is passed on.
    assert verify(half, "larkmoor", lambda _: None).troubles == []
    assert reading.read_totals(half, "larkmoor").query("level == 'basin'")["rain_mm"].iloc[-1] == 3.5
    assert reading.read_sites(half, "larkmoor", NEW[0])["crew"].tolist() == ["north", "north"]
    publish(half, made_day("2031-03-05", height=8, width=9), provenance("5"))
    withdraw(half, "larkmoor", dt.date(2031, 3, 5), 1, "again")
    publish(half, made_day("2031-03-05", height=8, width=9), provenance("6"))
    assert reading.current_revision(half, "larkmoor", "2031-03-05").number == 2
    assert len(reading.read_totals(half, "larkmoor")["date"].unique()) == 5


def test_an_earlier_version_does_all_of_it(half, monkeypatch):
    monkeypatch.undo()
    assert all_of_it_works(half)


def test_a_later_column_is_read_before_what_is_derived_has_it(half, monkeypatch):
    monkeypatch.undo()
    rebuild_derived(half, "larkmoor")
    later_version(monkeypatch)
    totals = reading.read_totals(half, "larkmoor").query("level == 'basin'")
    assert totals["rain_mm"].fillna(-1).tolist() == [-1, -1, 3.5, 3.5]


def test_a_column_is_added_to_an_archive_of_the_first_version(tmp_path, monkeypatch, provenance):
    # What a developer does: one line in COLUMNS, and values in the day's table.
    old = Path(shutil.copytree(FROZEN, tmp_path / "archive"))
    before = {path: path.read_bytes() for path in old.rglob("r0*/*") if path.is_file()}
    monkeypatch.setitem(COLUMNS, "totals", (*COLUMNS["totals"], ADDED["totals"]))
    day = made_day("2031-03-06", height=8, width=9)
    published_day = publish(old, replace(day, totals=day.totals.assign(rain_mm=3.5)), provenance("6"))
    assert "rain_mm" in (published_day.path / "totals.csv").read_text("utf-8").partition("\n")[0].split(",")
    totals = reading.read_totals(old, "larkmoor").query("level == 'basin'")
    assert totals["rain_mm"].fillna(-1).tolist() == [-1, -1, 3.5]
    assert verify(old, "larkmoor", lambda _: None).troubles == []
    assert before == {path: path.read_bytes() for path in before}


TABLE = pa.table({"site_id": ["a", "b"], "swe_mm": [1.0, None]})
KNOWN = (Column("site_id"), Column("swe_mm", "number", 1))


def test_a_table_is_conformed():
    more = (*KNOWN, Column("crew", later=True), Column("n", "whole", later=True))
    found = conformed(TABLE.append_column("x", pa.array([1, 2])).select(["x", "swe_mm", "site_id"]), more)
    assert found.schema.names == ["site_id", "swe_mm", "crew", "n", "x"]
    assert found["crew"].null_count == found["n"].null_count == 2
    assert [str(found[name].type) for name in ("crew", "n")] == ["string", "int64"]


@pytest.mark.parametrize(
    ("table", "told"),
    [
        (TABLE.drop_columns("swe_mm"), "column swe_mm stands 0 times"),
        (pa.table([TABLE["site_id"], TABLE["swe_mm"], TABLE["swe_mm"]], ["site_id", "swe_mm", "swe_mm"]), "column swe_mm stands 2 times"),
        (pa.table({"site_id": ["a"], "swe_mm": ["1"]}), "column swe_mm is of type string, not double"),
    ],
)  # fmt: skip
def test_a_known_column_is_required_with_its_type(table, told):
    with pytest.raises(ValueError, match=told):
        conformed(table, KNOWN)


def test_a_table_of_csv_is_filled():
    found = filled(
        pd.DataFrame({"site_id": ["a"], "swe_mm": [1.0]}),
        (*KNOWN, Column("crew", later=True), Column("n", "whole", later=True)),
    )
    assert found["crew"].isna().all()
    assert np.isnan(found["n"].iloc[0])
    with pytest.raises(ValueError, match="it has no column swe_mm"):
        filled(pd.DataFrame({"site_id": ["a"]}), KNOWN)


def test_a_sites_table_that_lacks_a_column_is_one_line(half):
    path = half / "larkmoor" / OLD[0] / "r001" / "sites.csv"
    path.chmod(0o644)
    path.write_text(path.read_text("utf-8").replace("swe_se_mm", "swe_error"), "utf-8")
    with pytest.raises(
        ArchiveError, match=r"sites\.csv cannot be read \(it has no column swe_se_mm\)\. Run `snowtally verify`"
    ):
        reading.read_sites(half, "larkmoor", OLD[0])


def test_no_column_of_the_first_archives_is_called_later():
    # Only a column that the frozen archive lacks may be one.
    written = {path.stem: path for path in FROZEN.rglob("r0*/*.csv")}
    assert {"totals", "sites", "checks", "skill"} <= written.keys()
    for name, path in written.items():
        header = path.read_text("utf-8").partition("\n")[0].split(",")
        assert [column.name for column in COLUMNS[name] if column.later and column.name in header] == []


def test_a_measure_is_rounded_alike_in_all_tables():
    """A band's limits join totals and outlook only where both tables write them with the same digits."""
    shared = ("band_low_m", "band_high_m", "area_km2", "snow_area_km2")
    digits = {
        name: {column.decimals for columns in COLUMNS.values() for column in columns if column.name == name}
        for name in shared
    }
    assert {column.decimals for column in COLUMNS["sites"] if column.name.endswith("_mm")} == {1}
    assert digits == {"band_low_m": {1}, "band_high_m": {1}, "area_km2": {6}, "snow_area_km2": {6}}
