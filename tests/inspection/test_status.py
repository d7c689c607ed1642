"""What status tells beyond the dates held: gaps, failed nights, size, and the season's calendar."""

from __future__ import annotations

import datetime as dt
import shutil

import pytest
from made_day import made_day

from snowtally.cli.status import StatusResult
from snowtally.inspection.growth import growth
from snowtally.inspection.status import status
from snowtally.model.problems import ArchiveError
from snowtally.publishing.attempts import note_failed
from snowtally.publishing.derived import read_index
from snowtally.publishing.publish import publish, withdraw


def small(date: str):
    return made_day(date, height=8, width=9)


def held(root, make, *dates: str):
    for number, date in enumerate(dates):
        publish(root, small(date), make(f"{date} {number}"))


def test_missing_are_the_gaps_of_a_season_and_the_nights_since_the_newest(tmp_path, provenance):
    held(tmp_path, provenance, "2030-02-27", "2030-03-02", "2031-03-01", "2031-03-03")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 6), "10-01")
    # No night is missing between the seasons.
    assert [str(d) for d in told.missing] == ["2030-02-28", "2030-03-01", "2031-03-02", "2031-03-04", "2031-03-05"]
    # After the season nobody expects a night.
    told = status(tmp_path, "larkmoor", dt.date(2031, 10, 20), "10-01")
    assert [str(d) for d in told.missing] == ["2030-02-28", "2030-03-01", "2031-03-02"]


def test_failed_nights_are_told_until_their_date_is_held(tmp_path, provenance):
    note_failed(tmp_path, "larkmoor", dt.date(2031, 3, 1), "no archive yet: nothing is made for a note")
    assert not (tmp_path / "larkmoor").exists()
    held(tmp_path, provenance, "2031-03-01")
    note_failed(tmp_path, "larkmoor", dt.date(2031, 3, 2), "no estimate: no station")
    note_failed(tmp_path, "larkmoor", dt.date(2031, 3, 3), "elevation.tif is gone")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01")
    assert told.failed == {dt.date(2031, 3, 2): "no estimate: no station", dt.date(2031, 3, 3): "elevation.tif is gone"}
    assert [str(d) for d in told.missing] == ["2031-03-02", "2031-03-03"]
    held(tmp_path, provenance, "2031-03-02")
    assert list(status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01").failed) == [dt.date(2031, 3, 3)]
    # The note is dropped with the next one.
    note_failed(tmp_path, "larkmoor", dt.date(2031, 3, 3), "again")
    assert "no station" not in (tmp_path / "larkmoor" / "failed.json").read_text("utf-8")
    (tmp_path / "larkmoor" / "failed.json").write_text("no JSON", "utf-8")
    assert status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01").failed == {}


def test_size_is_that_of_the_files(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01", "2031-03-02")
    files = [path for path in (tmp_path / "larkmoor").rglob("r00*/*") if path.is_file()]
    assert status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01").size_bytes == sum(p.stat().st_size for p in files)


def test_the_calendar_has_a_letter_a_day(tmp_path, provenance):
    held(tmp_path, provenance, "2031-02-27", "2031-03-01")
    publish(tmp_path, small("2031-03-02"), provenance("d", degraded=["No weather table."]))
    held(tmp_path, provenance, "2031-03-03")
    withdraw(tmp_path, "larkmoor", dt.date(2031, 3, 3), 1, "wrong tare")
    note_failed(tmp_path, "larkmoor", dt.date(2031, 3, 4), "no estimate")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 8), "10-01")
    lines = [part for part in StatusResult("larkmoor", "Larkmoor", told).to_table() if isinstance(part, str)]
    february = "2031-02  " + " " * (26 + 5) + "o."
    assert lines[:4] == [
        "Season 2030-2031",
        february,
        "2031-03  odwx. ..",
        "         . missing, d degraded, o held, w withdrawn, x failed",
    ]
    assert any(line.startswith("failed 2031-03-04: no estimate") for line in lines)
    assert lines[-2].startswith("3 dates held, 1 withdrawn, 4 revisions, ")
    assert lines[-2].endswith("newest 2031-03-02, 6 days ago, degraded")
    assert lines[-1].startswith("disk: ")
    assert StatusResult("larkmoor", "Larkmoor", told).to_json()["newest_degraded"]


def test_a_revision_that_the_index_does_not_have_is_seen(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01")
    index = tmp_path / "larkmoor" / "index.parquet"
    behind = index.read_bytes()
    held(tmp_path, provenance, "2031-03-01 again"[:10], "2031-03-02")
    index.write_bytes(behind)
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 3), "10-01")
    assert told.newest == dt.date(2031, 3, 2)
    assert len(told.days) == 2


def test_growth_is_that_of_the_last_month_and_forecasts_the_disk(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01", "2031-03-02")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01")
    made = read_index(tmp_path, "larkmoor").column("made").to_pylist()[0]
    after = growth(tmp_path, made + dt.timedelta(days=10))
    # Two dates, whenever they were made.
    assert after.bytes_a_day == pytest.approx(told.size_bytes / 2, rel=0.01)
    assert after.days_left == int(after.free_bytes / after.bytes_a_day)
    assert growth(tmp_path, made + dt.timedelta(days=100)).days_left is None


def test_other_folders_and_other_basins_damage_do_not_fail_a_status(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01")
    for basin in ("larkmoor.bak", "othermoor"):
        shutil.copytree(tmp_path / "larkmoor", tmp_path / basin)
    (tmp_path / "othermoor" / "decisions.jsonl").write_bytes(b"no decision\n")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01")
    assert told.growth.unread == ["othermoor"]
    assert (
        StatusResult("larkmoor", "Larkmoor", told)
        .to_table()[-1]
        .endswith(", without othermoor, whose index or decisions cannot be read")
    )
    assert StatusResult("larkmoor", "Larkmoor", told).to_json()["disk"]["unread"] == ["othermoor"]
    # Its own status tells it.
    with pytest.raises(ArchiveError, match=r"decisions\.jsonl, line 1 cannot be read"):
        status(tmp_path, "othermoor", dt.date(2031, 3, 4), "10-01")


@pytest.mark.parametrize("number", ["Infinity", "1e400", "null", '"one"'])
def test_a_second_look_that_says_nothing_is_none(tmp_path, provenance, number):
    held(tmp_path, provenance, "2031-03-01")
    noted = f'{{"2031-03-01": {{"revision": {number}, "why": "jump"}}}}'
    (tmp_path / "larkmoor" / "second_look.json").write_text(noted, "utf-8")
    assert status(tmp_path, "larkmoor", dt.date(2031, 3, 4), "10-01").second_look == {}


def test_a_failed_date_of_another_decade_is_no_gap(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01", "2031-03-03")
    for date in (dt.date(2031, 3, 5), dt.date(2040, 1, 1)):
        note_failed(tmp_path, "larkmoor", date, "no site")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 6), "10-01")
    assert told.missing == [dt.date(2031, 3, day) for day in (2, 4, 5)]
    assert list(told.failed) == [dt.date(2031, 3, 5), dt.date(2040, 1, 1)]
    lines = [str(line) for line in StatusResult("larkmoor", "Larkmoor", told).to_table()]
    assert sum("2040" in line for line in lines) == 1
    assert len(lines) < 12


def test_a_newest_date_in_the_future_is_told(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01", "2031-04-01")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 6), "10-01")
    assert StatusResult("larkmoor", "Larkmoor", told).to_json()["newest_in_future"] is True
    assert any(
        "the newest date 2031-04-01 lies in the future" in str(part)
        for part in StatusResult("larkmoor", "T", told).to_table()
    )
    told = status(tmp_path, "larkmoor", dt.date(2031, 4, 1), "10-01")
    assert StatusResult("larkmoor", "Larkmoor", told).to_json()["newest_in_future"] is False


@pytest.mark.parametrize("date", ["0001-01-01", "9999-12-31"])
def test_notes_and_folders_at_the_ends_of_the_calendar_break_no_status(tmp_path, provenance, date):
    held(tmp_path, provenance, "2031-03-01")
    note_failed(tmp_path, "larkmoor", dt.date.fromisoformat(date), "mistyped")
    told = status(tmp_path, "larkmoor", dt.date(2031, 3, 2), "10-01")
    assert told.failed == {dt.date.fromisoformat(date): "mistyped"}
    assert told.missing == []
    assert StatusResult("larkmoor", "T", told).to_table()


def test_a_persons_folder_beside_the_revisions_is_left_alone(tmp_path, provenance):
    held(tmp_path, provenance, "2031-03-01")
    for name in ("r²", "r٣", "r1 copy", "٢٠٣١-٠٣-٠٢"):
        (tmp_path / "larkmoor" / "2031-03-01" / name).mkdir()
    (tmp_path / "larkmoor" / "٢٠٣١-٠٣-٠٢").mkdir()
    day = publish(tmp_path, small("2031-03-01"), provenance("again"))
    assert day.revision == 2
    assert list(status(tmp_path, "larkmoor", dt.date(2031, 3, 2), "10-01").days["revisions"]) == [2]


@pytest.mark.parametrize(
    "name", ["larkmoor/decisions.jsonl", "archive.json", "larkmoor/failed.json", "larkmoor/latest.json"]
)
def test_a_file_nested_beyond_reason_is_told_or_passed_over(tmp_path, provenance, name):
    held(tmp_path, provenance, "2031-03-01")
    (tmp_path / name).write_text("[" * 100_000 + "\n", "utf-8")
    if name in ("larkmoor/decisions.jsonl", "archive.json"):
        with pytest.raises(ArchiveError, match="cannot be read"):
            status(tmp_path, "larkmoor", dt.date(2031, 3, 2), "10-01")
    else:
        assert status(tmp_path, "larkmoor", dt.date(2031, 3, 2), "10-01").missing == []
