"""A damaged record blocks nothing else, and verify names a way back that works and loses nothing."""

from __future__ import annotations

import datetime as dt
import json
import shutil
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest
from made_day import made_day

from snowtally import reading
from snowtally.cli.status import StatusResult
from snowtally.cli.verify import VerifyResult
from snowtally.inspection.status import status
from snowtally.inspection.verify import verify
from snowtally.model.problems import ArchiveError, NewerVersionError
from snowtally.publishing.archived_inputs import archive_inputs
from snowtally.publishing.prune import prune
from snowtally.publishing.publish import left_as_it_is, publish, rebuild_derived, withdraw
from snowtally.report.season_page import season_page
from snowtally.report.units import METRIC

DATES = ("2031-03-01", "2031-03-03", "2031-03-05")


def edited(edit):
    """Return a damage that changes the content of a record."""

    def damage(path):
        content = json.loads(path.read_text("utf-8"))
        edit(content)
        path.write_text(json.dumps(content), "utf-8")

    return damage


def written(data):
    return lambda path: path.write_bytes(data)


def folder(path):
    path.unlink()
    path.mkdir()


DAMAGES = {
    "empty": written(b""),
    "truncated": lambda path: path.write_bytes(path.read_bytes()[:700]),
    "binary": written(bytes(range(256)) * 4),
    "nested": written(b"[" * 100_000),
    "null": written(b"null"),
    "a list": written(b"[1, 2]"),
    "no input hash": edited(lambda content: content.pop("input_hash")),
    "no version": edited(lambda content: content.pop("schema_version")),
    "no code version": edited(lambda content: content["code"].pop("version")),
    "files a number": edited(lambda content: content.update(files=7)),
    "a file without a name": edited(lambda content: content["files"][0].pop("name")),
    "kept inputs a list": edited(lambda content: content.update(kept_inputs=["a"])),
    "made at no time": edited(lambda content: content.update(made="yesterday")),
    "settings of text": edited(lambda content: content.update(settings="basin")),
    "losses of text": edited(lambda content: content.update(losses=["stations.csv"])),
    "losses a number": edited(lambda content: content.update(losses=0)),
    "newer": edited(lambda content: content.update(schema_version=99)),
    "removed": lambda path: path.unlink(),
    "a folder": folder,
}
NO_REVISION = {"removed", "a folder"}


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Three dates, the first with two revisions, each with an archived input of its own."""
    from made_provenance import make_provenance  # noqa: PLC0415

    root = tmp_path_factory.mktemp("damaged") / "archive"
    for number, date in enumerate((DATES[0], *DATES)):
        rows = {"sites": pd.DataFrame({"site_id": ["NA"], "swe_mm": [float(number)]})}
        how = make_provenance(f"{number:064d}", archived=archive_inputs(root, "larkmoor", rows, {}))
        publish(root, made_day(date, height=8, width=9, extra_mm=number), how)
    return root


@pytest.fixture
def mine(sound, tmp_path):
    return Path(shutil.copytree(sound, tmp_path / "archive"))


def record_of(root, date, number=1):
    return root / "larkmoor" / date / f"r{number:03d}" / "record.json"


def damage(kind, path):
    path.chmod(0o644)
    DAMAGES[kind](path)


def looked(root):
    return verify(root, "larkmoor", lambda _: None)


KINDS_APART = ("empty", "no input hash", "newer", "removed", "a folder")
"""One of each way that a record is read, or is not. The others repeat it here; what is told of them has tests of its own below."""


@pytest.mark.parametrize(
    ("kind", "date"),
    [
        pytest.param(kind, date, marks=[] if kind in KINDS_APART else pytest.mark.long)
        for kind in DAMAGES
        for date in DATES[1:]
    ],
)
def test_everything_else_goes_on(mine, provenance, kind, date):
    inputs = sorted((mine / "larkmoor" / "inputs").iterdir())
    damage(kind, record_of(mine, date))
    # Another date is published, left as it is, taken back, listed, shown.
    new = dt.date(2031, 3, 8)
    publish(mine, made_day(str(new), height=8, width=9), provenance("8" * 64))
    assert json.loads((mine / "larkmoor" / "latest.json").read_text("utf-8"))["date"] == str(new)
    first = dt.date(2031, 3, 1)
    assert left_as_it_is(mine, "larkmoor", first, provenance(f"{1:064d}")).unchanged
    assert withdraw(mine, "larkmoor", first, 2, "wrong tare").number == 1
    told = status(mine, "larkmoor", dt.date(2031, 3, 9), "10-01")
    assert (
        told.newest,
        "Season 2030-2031" in "".join(map(str, StatusResult("larkmoor", "Larkmoor", told).to_table())),
    ) == (new, True)
    assert json.dumps(StatusResult("larkmoor", "Larkmoor", told).to_json())
    assert season_page(mine, "larkmoor", METRIC)
    # All that is derived can be made again, and names the damaged revision for what it is.
    assert rebuild_derived(mine, "larkmoor") == 4
    rows = {
        str(row["date"]): row
        for row in pq.read_table(mine / "larkmoor" / "index.parquet").to_pylist()
        if not row["withdrawn"]
    }
    assert set(rows) == {*DATES, str(new)} - ({date} if kind in NO_REVISION else set())
    if kind not in NO_REVISION:
        assert (rows[date]["degraded"], rows[date]["made"], rows[date]["size_bytes"] > 0) == (True, None, True)
        told = status(mine, "larkmoor", dt.date(2031, 3, 9), "10-01").days.set_index("date")
        assert told.loc[dt.date.fromisoformat(date), "degraded"]
        assert "its record.json cannot be read" in told.loc[dt.date.fromisoformat(date), "reason"]
    found = looked(mine)
    assert [t.path.split("/")[:3] for t in found.troubles] == [["larkmoor", date, "r001"]]
    # A day page in the damaged revision's folder is no loss; an archived input would be.
    assert sorted((mine / "larkmoor" / "inputs").iterdir()) == inputs
    season = json.loads((mine / "larkmoor" / "2030-2031.json").read_text("utf-8"))
    listed = [link["title"] for link in season["links"] if link["rel"] == "item"]
    assert listed == sorted({*DATES, str(new)} - {date})


@pytest.mark.parametrize("kind", DAMAGES)
def test_the_way_that_verify_names_works(mine, provenance, kind):
    day = dt.date(2031, 3, 3)
    damage(kind, record_of(mine, str(day)))
    found = looked(mine)
    trouble = next(t for t in found.troubles if t.path.startswith("larkmoor/2031-03-03/r001"))
    if kind == "newer":
        assert trouble.cure == "A newer program published it: install that one. It is not damaged."
        return
    first, second = (
        "`snowtally withdraw SETTINGS 2031-03-03@1 --reason TEXT`",
        "`snowtally rerun SETTINGS --date 2031-03-03",
    )
    assert 0 < trouble.cure.index(first) < trouble.cure.index(second)
    assert "Remove nothing" in trouble.cure
    # A night cannot tell whose it was, and leaves it.
    night, by_hand = provenance("n" * 64), provenance("h" * 64, command="rerun", reason="record was damaged")
    if kind not in NO_REVISION:
        with pytest.raises(ArchiveError, match=r"withdraw 2031-03-03@1 and then rerun 2031-03-03"):
            left_as_it_is(mine, "larkmoor", day, night)
    withdraw(mine, "larkmoor", day, 1, "record was damaged")
    new = publish(mine, made_day(str(day), height=8, width=9), by_hand)
    assert (new.revision, new.changes) == (2, None)
    assert reading.read_record(mine, "larkmoor", day)["revision"] == 2
    found = looked(mine)
    assert found.troubles == []
    assert [line.split(" (")[0] for line in found.lost] == ["2031-03-03@1 was withdrawn as damaged"]
    assert any("Lost: 2031-03-03@1" in str(line) for line in VerifyResult("larkmoor", "Larkmoor", found).to_table())
    # Once a copy is put back nothing is told any more.
    assert record_of(mine, str(day)).parent.is_dir()


def test_a_rerun_alone_goes_past_a_damaged_record(mine, provenance):
    damage("truncated", record_of(mine, "2031-03-05"))
    day = made_day("2031-03-05", height=8, width=9)
    assert publish(mine, day, provenance("h" * 64, command="rerun", reason="x")).revision == 2
    assert looked(mine).troubles[0].path == "larkmoor/2031-03-05/r001/record.json"


def test_what_was_withdrawn_before_it_was_damaged_can_be_given_up_as_well(mine):
    first = dt.date(2031, 3, 1)
    withdraw(mine, "larkmoor", first, 2, "wrong tare")
    with pytest.raises(ArchiveError, match="withdrawn before"):
        withdraw(mine, "larkmoor", first, 2, "again")
    damage("empty", record_of(mine, "2031-03-01", 2))
    rebuild_derived(mine, "larkmoor")
    (trouble,) = looked(mine).troubles
    assert "withdraw SETTINGS 2031-03-01@2" in trouble.cure
    assert "rerun" not in trouble.cure
    withdraw(mine, "larkmoor", first, 2, "record is gone")
    assert looked(mine).troubles == []


@pytest.mark.parametrize(
    "kind", [pytest.param(one, marks=[] if one in KINDS_APART else pytest.mark.long) for one in DAMAGES]
)
def test_no_advice_and_no_prune_touches_what_a_damaged_record_may_name(mine, kind):
    damage(kind, record_of(mine, "2031-03-05"))
    found = looked(mine)
    assert not any("inputs" in trouble.path for trouble in found.troubles)
    assert (len(found.leftovers), found.unknown) == (2, ["2031-03-05@1"])
    assert any(
        "keep them: the record of 2031-03-05@1 cannot be read" in str(line)
        for line in VerifyResult("larkmoor", "Larkmoor", found).to_table()
    )
    before = {path: path.read_bytes() for path in (mine / "larkmoor" / "inputs").iterdir()}
    done = prune(mine, "larkmoor", 0, go=True)
    assert (done.inputs, len(done.held_back)) == ([], 1)
    assert {path: path.read_bytes() for path in (mine / "larkmoor" / "inputs").iterdir()} == before


def test_damaged_totals_and_items_block_nothing_else_either(mine, provenance):
    for name in ("totals.parquet", "item.json"):
        path = mine / "larkmoor" / "2031-03-05" / "r001" / name
        path.chmod(0o644)
        path.write_bytes(b"{")
    publish(mine, made_day("2031-03-08", height=8, width=9), provenance("8" * 64))
    assert rebuild_derived(mine, "larkmoor") == 4
    assert sorted(t.path.rsplit("/", 1)[1] for t in looked(mine).troubles) == [
        "item.json",
        "item.json",
        "totals.parquet",
    ]
    with pytest.raises(ArchiveError, match=r"totals\.parquet cannot be read"):
        reading.read_totals(mine, "larkmoor")


def test_a_newer_record_is_told_apart(mine):
    damage("newer", record_of(mine, "2031-03-05"))
    with pytest.raises(NewerVersionError, match="Install a newer one"):
        reading.read_record(mine, "larkmoor", "2031-03-05")


def test_keys_that_a_later_version_added_are_passed_on(mine):
    path = record_of(mine, "2031-03-05")
    path.chmod(0o644)
    from snowtally.publishing.record import record_bytes  # noqa: PLC0415

    content = json.loads(path.read_text("utf-8"))
    content.pop("record_sha256")
    content["files"][0]["made_by"] = "later"
    path.write_bytes(record_bytes(content | {"moods": {"of": "later"}}))
    assert reading.read_record(mine, "larkmoor", "2031-03-05")["moods"] == {"of": "later"}
    rebuild_derived(mine, "larkmoor")
    assert looked(mine).troubles == []
