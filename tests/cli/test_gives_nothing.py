"""An input that has files and gives the date nothing is named in a line."""

import datetime as dt
from types import SimpleNamespace

import pytest

from snowtally.cli.dry_run import gives_nothing
from snowtally.model.dry_run import InputUse, SiteUse

PLACED = {"x": 0.0, "y": 0.0, "on_grid": True, "outside_m": 0.0, "stated_m": 1800.0, "terrain_m": 1800.0}


def run_of(courses, *, counts):
    sites = [
        SiteUse("A1", "A1", "course", **PLACED, counts=counts),
        SiteUse("S1", "S1", "station", **PLACED, counts=True),
    ]
    day = SimpleNamespace(date=dt.date(2031, 4, 14))
    return SimpleNamespace(inputs=[InputUse("zones", ["z.gpkg"]), courses], sites=sites, day=day)


@pytest.mark.parametrize(
    ("courses", "counts", "lines"),
    [
        (InputUse("courses", ["c.csv"], 12, 12, 0, last=dt.date(2031, 4, 12)), True, []),
        (
            InputUse("courses", ["c.csv"], 0, 0, 0),
            False,
            ["courses: no row of c.csv is of this season up to 2031-04-14"],
        ),
        (
            InputUse("courses", ["c.csv"], 12, 0, 12),
            False,
            ["courses: all 12 rows of c.csv are set aside; the findings say why"],
        ),
        (
            InputUse("courses", ["c.csv"], 12, 12, 0, last=dt.date(2031, 1, 12)),
            False,
            ["courses: no course has a value near enough to 2031-04-14 to count, the last row is of 2031-01-12"],
        ),
    ],
)
def test_an_input_that_gives_nothing_is_named(courses, counts, lines):
    assert gives_nothing(run_of(courses, counts=counts)) == lines
