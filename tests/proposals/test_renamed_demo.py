"""The demo's tables under other headers: each is recognised, and its columns, or it is refused."""

import csv
from shutil import copyfile

import pytest
from renamed import DEMO, renamed_demo

from snowtally.proposals.proposal import BasinHint, TableProposals
from snowtally.proposals.tables import ORDER, propose_tables
from snowtally.proposals.trial import TABLES

AROUND_THE_DEMO = BasinHint(-33.15, 43.95, -32.5, 44.35, 1350.0, 3050.0, ("EPSG:32625",))


def columns_of(found: TableProposals, file: str) -> dict[str, str]:
    """Return the canonical header of each column of a file, by the header that is proposed for it."""
    role, group = next(
        (role, group)
        for role, table in found.tables.items()
        for group in table.groups
        if file in {path.name for path in group.files}
    )
    own = {one.key.removeprefix("columns."): one.value for one in group.proposals if one.key.startswith("columns.")}
    assert not any("unit" in setting for setting in own.values()), "every unit is the demo's"
    return {own.get(column.key, {}).get("column", column.header): column.header for column in TABLES[role].columns}


def test_the_demo_itself_needs_no_setting():
    found = propose_tables(sorted(DEMO.glob("*.csv")), AROUND_THE_DEMO)
    assert tuple(found.tables) == ORDER[:-1], "it has all tables but overrides"
    assert not found.refusals
    assert not found.unknown
    assert found.missing is None
    assert (found.basin_id.key, found.basin_id.value) == ("basin.id", "larkmoor")
    assert all(group.proposals == () for table in found.tables.values() for group in table.groups)
    stations = found.tables["stations"].groups[0]
    assert (stations.offsets_hours, stations.lacks_clock) == ((-2.0,), False)
    assert (stations.first_day, stations.last_day) == ("2030-10-01", "2031-06-30")


@pytest.mark.parametrize("seed", range(4))
def test_each_column_is_found_under_another_header(tmp_path, seed):
    truth = renamed_demo(tmp_path, seed)
    found = propose_tables(sorted(tmp_path.glob("*.csv")), AROUND_THE_DEMO)
    assert not found.refusals
    for file, headers in truth.items():
        read = columns_of(found, file)
        assert {header.casefold(): of for header, of in headers.items()}.items() <= {
            header.casefold(): of for header, of in read.items()
        }.items()


HARMLESS = {"point", "sampler", "remark", "name", "from", "until"}
"""Columns that no value of the map is computed from, or that say only when a site was there."""


@pytest.mark.parametrize("file", ["course_samples.csv", "flights.csv", "weather.csv"])
def test_a_header_that_says_nothing_loses_no_column_in_silence(tmp_path, file):
    with (DEMO / file).open(encoding="utf-8", newline="") as stream:
        header, *rows = csv.reader(stream)
    copyfile(DEMO / "sites.csv", tmp_path / "sites.csv")
    for at, name in enumerate(header):
        with (tmp_path / file).open("w", encoding="utf-8", newline="") as stream:
            csv.writer(stream).writerows([[*header[:at], "Qzx", *header[at + 1 :]], *rows])
        found = propose_tables(sorted(tmp_path.glob("*.csv")), AROUND_THE_DEMO)
        groups = [group for table in found.tables.values() for group in table.groups if group.files[0].name == file]
        named = [one for group in groups for one in group.proposals if "Qzx" in str(one.value)]
        right = [one for one in named if name.startswith(one.key.removeprefix("columns."))]
        assert found.refusals or (right and right == named) or name in HARMLESS, name
