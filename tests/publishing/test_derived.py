"""What is derived of an archive: when a table says what it should, and what the index tells without its file."""

import datetime as dt

import pyarrow as pa
import pytest
from made_day import made_day
from made_provenance import make_provenance

from snowtally.publishing import derived
from snowtally.publishing.derived import INDEX_SCHEMA, _holds, read_index
from snowtally.publishing.publish import publish, withdraw

FIRST, SECOND = dt.date(2031, 3, 1), dt.date(2031, 3, 2)


def table(**revisions):
    rows = [{"date": date, "revision": revisions[name]} for name, date in (("first", FIRST), ("second", SECOND))]
    return pa.Table.from_pylist(rows, INDEX_SCHEMA)


@pytest.mark.parametrize(
    ("found", "holds"),
    [
        (table(first=1, second=1), True),
        (table(first=1, second=2), True),
        (table(first=2, second=1), False),
        (table(first=1, second=1).slice(1), False),
        (None, False),
    ],
)
def test_a_table_holds_what_another_says_of_the_asked_dates(found, holds):
    assert _holds(found, table(first=1, second=1), [FIRST]) == holds


@pytest.mark.parametrize("lost", [False, True])
def test_the_index_is_the_same_with_and_without_its_file(tmp_path, lost):
    publish(tmp_path, made_day("2031-03-01"), make_provenance("a"))
    publish(tmp_path, made_day("2031-03-01", extra_mm=10), make_provenance("b"))
    publish(tmp_path, made_day("2031-03-02"), make_provenance("c"))
    publish(tmp_path, made_day("2031-03-02", extra_mm=10), make_provenance("d", degraded=["Station 007 is silent."]))
    withdraw(tmp_path, "larkmoor", FIRST, 2, "wrong sheet")
    if lost:
        (tmp_path / "larkmoor" / "index.parquet").unlink()
    rows = read_index(tmp_path, "larkmoor").to_pylist()
    assert [(row["date"], row["revision"], row["withdrawn"], row["current"]) for row in rows] == [
        (FIRST, 1, False, True),
        (FIRST, 2, True, False),
        (SECOND, 1, False, True),
        (SECOND, 2, False, False),
    ]
    assert [bool(row["held_back"]) for row in rows] == [False, False, False, True]


def test_old_dates_that_the_index_has_are_not_looked_into(tmp_path, monkeypatch):
    """The time of asking must not grow with the years held: the newest are looked into, the others read from the index."""
    for day in (1, 2, 3):
        publish(tmp_path, made_day(f"2031-03-{day:02d}"), make_provenance("a"))
    looked = []
    held = derived.revisions
    monkeypatch.setattr(derived, "revisions", lambda root, basin, date: looked.append(date) or held(root, basin, date))
    monkeypatch.setattr(derived, "_LOOKED_INTO", 1)
    assert len(read_index(tmp_path, "larkmoor")) == 3
    assert looked == [dt.date(2031, 3, 3)]
