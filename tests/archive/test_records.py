"""A revision's record is taken whole, of a version that is known, or refused in one line."""

import json
from pathlib import Path

import pytest

from snowtally.archive.records import RECORD_VERSION, load_record, way_back
from snowtally.model.problems import NewerVersionError, RecordError

FROZEN = Path(__file__).with_name("frozen") / "layout_1" / "larkmoor" / "2031-03-05" / "r001"
RECORD = json.loads((FROZEN / "record.json").read_text("utf-8"))
LOSS = {"rule": "missing file", "table": "courses", "file": "c.csv", "site_id": "", "start": "", "whole": True}


@pytest.fixture
def load(tmp_path):
    folder = tmp_path / "2031-03-05" / "r001"
    folder.mkdir(parents=True)

    def loaded(**changes):
        record = {key: value for key, value in (RECORD | changes).items() if value is not Ellipsis}
        (folder / "record.json").write_text(json.dumps(record), "utf-8")
        return load_record(folder)

    return loaded


def test_what_version_1_did_not_say_is_filled_in_and_what_is_said_is_passed_on(load):
    assert load() == RECORD | {"command": "update", "changes": None, "parent_revision": None}
    rerun = load(reason="a better density", changes={"swe": 3}, parent_revision=1, later="key", losses=[LOSS])
    assert (rerun["command"], rerun["changes"], rerun["parent_revision"]) == ("rerun", {"swe": 3}, 1)
    assert (rerun["later"], rerun["losses"]) == ("key", [LOSS])
    assert load(losses=None)["losses"] is None
    assert load(reason="nightly update", command="rerun")["command"] == "rerun"


@pytest.mark.parametrize("key", sorted(set(RECORD) - {"schema_version"}))
def test_each_key_of_every_record_is_there_with_its_type(load, key):
    required = {
        "basin_id", "title", "date", "revision", "reason", "made", "code", "degraded", "degraded_reasons", "settings", "settings_hash",
        "inputs", "input_hash", "kept_inputs", "packages", "models", "error_budget", "files",
    }  # fmt: skip
    if key not in required:
        load(**{key: ...})
        return
    with pytest.raises(RecordError, match=f"it has no {key}"):
        load(**{key: ...})
    with pytest.raises(RecordError, match=f"{key} is not what it should be"):
        load(**{key: 1.5})


@pytest.mark.parametrize(
    "changes",
    [
        {"revision": True},
        {"degraded": 1},
        {"code": {}},
        {"code": {"version": 1}},
        {"kept_inputs": {"courses": 1}},
        {"files": [{"name": "swe.tif", "size": True, "sha256": "a"}]},
        {"files": [{"name": "swe.tif", "size": 1}]},
        {"inputs": [{"role": "courses", "path": "c.csv", "sha256": None}]},
        {"losses": {}},
        {"losses": [LOSS | {"whole": 1}]},
        {"losses": [{}]},
        {"made": "yesterday"},
        {"schema_version": "1"},
    ],
)
def test_what_is_within_a_record_has_its_type_too(load, changes):
    with pytest.raises(
        RecordError, match=r"record\.json cannot be read .* withdraw 2031-03-05@1 and then rerun 2031-03-05"
    ):
        load(**changes)


def test_a_newer_version_is_told_from_a_damaged_record(load, tmp_path):
    assert load(schema_version=RECORD_VERSION)["schema_version"] == RECORD_VERSION
    with pytest.raises(
        NewerVersionError, match=f"is of version {RECORD_VERSION + 1}; this snowtally reads up to {RECORD_VERSION}"
    ):
        load(schema_version=RECORD_VERSION + 1, revision=...)
    with pytest.raises(RecordError, match="cannot be read"):
        load_record(tmp_path)
    assert "withdraw 2031-03-05@12 and" in way_back(Path("2031-03-05/r012"))
