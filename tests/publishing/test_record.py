"""The record: its schema, its canonical hashes, and what of Python's own types it can hold."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_day import made_day

from snowtally import reading
from snowtally.publishing.record import (
    Numbers,
    build_record,
    input_sha256,
    plain,
    record_bytes,
    record_is_whole,
)
from snowtally.storage.files import Written

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "record.schema.json").read_text("utf-8"))
FILES = {"swe.tif": Written(12, "a" * 64), "estimate.nc": Written(34, "b" * 64)}


def validate(record: dict) -> None:
    checker = jsonschema.Draft202012Validator.FORMAT_CHECKER
    jsonschema.Draft202012Validator(SCHEMA, format_checker=checker).validate(record)


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize(("date", "revision"), [("2031-03-01", 1), ("2031-03-01", 2), ("2031-03-05", 1)])
def test_published_records_follow_the_schema(archive, date, revision):
    validate(reading.read_record(archive, "larkmoor", date, revision))


def test_every_key_is_required_and_no_other_allowed(provenance):
    record = json.loads(record_bytes(build_record(made_day(), provenance(), Numbers(1, None), FILES, None)))
    later = {"command", "changes", "record_sha256"} | {"losses"}  # of versions 2 and 3
    assert set(SCHEMA["required"]) | later == set(SCHEMA["properties"]) == set(record)
    for key in record:
        with pytest.raises(jsonschema.ValidationError, match=f"'{key}' is a required property"):
            validate({name: value for name, value in record.items() if name != key})
    with pytest.raises(jsonschema.ValidationError, match="Additional properties"):
        validate({**record, "more": 1})


def test_a_degraded_day_says_why(provenance):
    day, how = made_day(), provenance(degraded=["Station 007 is silent."])
    record = json.loads(record_bytes(build_record(day, how, Numbers(1, None), FILES, None)))
    validate(record)
    with pytest.raises(jsonschema.ValidationError, match="should be non-empty"):
        validate({**record, "degraded_reasons": []})
    with pytest.raises(jsonschema.ValidationError, match="should be non-empty"):
        validate({**record, "losses": []})
    with pytest.raises(jsonschema.ValidationError, match="expected to be empty"):
        validate({**record, "degraded": False})


def test_the_clock_is_the_callers(provenance):
    zone = dt.timezone(dt.timedelta(hours=-2))
    made = dt.datetime(2031, 3, 2, 2, 30, tzinfo=zone)
    assert (
        build_record(made_day(), provenance(made=made), Numbers(1, None), FILES, None)["made"] == "2031-03-02T04:30:00Z"
    )


def test_models_come_back_as_plain_json(provenance):
    record = json.loads(record_bytes(build_record(made_day(), provenance(), Numbers(1, None), FILES, None)))
    assert record["models"]["density"] == {"model": "made up", "slope": 0.25, "n": 7, "range_m": None}
    assert [file["name"] for file in record["files"]] == ["estimate.nc", "swe.tif"]


def test_a_record_carries_its_own_hash(provenance):
    data = record_bytes(build_record(made_day(), provenance(), Numbers(1, None), FILES, None))
    told = json.loads(data)["record_sha256"]
    # As anyone can check it with two tools of the shell.
    assert hashlib.sha256(data.replace(told.encode(), b"0" * 64)).hexdigest() == told
    assert record_is_whole(data) is True


@given(place=st.floats(0, 1, exclude_max=True), change=st.integers(1, 255))
def test_one_changed_byte_of_a_record_is_found(archive, place, change):
    data = bytearray((reading.find_revision(archive, "larkmoor", "2031-03-05").path / "record.json").read_bytes())
    data[int(place * len(data))] ^= change
    assert record_is_whole(bytes(data)) is False


def test_what_json_does_not_know_is_told_in_its_own_types():
    given = {
        1: np.arange(2),
        "path": Path("a/b"),
        "flag": np.bool_(True),
        "inf": np.float32("inf"),
        "set": {"b", "a"},
        "none": None,
    }
    assert plain(given) == {"1": [0, 1], "path": "a/b", "flag": True, "inf": None, "set": ["a", "b"], "none": None}
    assert plain(given)["flag"] is True


def test_the_input_hash_is_that_of_its_lines():
    hashes = {"stations": "b" * 64, "courses": "a" * 64}
    lines = f"courses {'a' * 64}\nstations {'b' * 64}\n".encode()
    assert input_sha256(hashes) == hashlib.sha256(lines).hexdigest()
