"""Dates that the measurements do not cover are refused with their span, and leave no failed night behind."""

import datetime as dt

import pytest
from made_basin import snowtally

from snowtally.gather.sources import DaySources
from snowtally.gather.span import MOST_DAYS_AFTER, check_covered
from snowtally.inputs.find import describe
from snowtally.inputs.source import Source
from snowtally.model.problems import UncoveredDateError
from snowtally.settings.basin import read_settings
from snowtally.storage.cache import Cache

SPAN = "The inputs cover 2031-03-01 to 2031-03-10"
NOW = dt.datetime(2031, 3, 8, 12, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def asked(basin):
    """Return a function that asks of a date at an instant."""
    settings = read_settings(basin / "basin.yaml")
    found = {
        role: [describe(role, basin / f"{role}.csv")] if role != "covers" else []
        for role in ("courses", "stations", "flights", "covers")
    }
    from snowtally.gather.span import _days  # noqa: PLC0415
    from snowtally.inputs.read_courses import read_courses  # noqa: PLC0415

    courses = read_courses(Source([basin / "courses.csv"], {}, settings.missing))[0]
    assert list(_days(courses)) == [dt.date(2031, 3, 1)] * 2

    def ask(date, now=NOW):
        tables = {"courses": courses.head(0), "stations": courses.head(0)}
        check_covered(DaySources(settings, date, found, Cache(basin / "cache", writable=False), None), tables, now)

    return ask


def test_dates_within_the_measurements_pass(asked):
    for day in (1, 5, 10):
        # Also on a day that is to come by the clock: these measurements are of a day to come themselves.
        asked(dt.date(2031, 3, day))
    asked(dt.date(2031, 3, 10) + dt.timedelta(days=MOST_DAYS_AFTER), dt.datetime(2032, 1, 1, tzinfo=dt.UTC))


@pytest.mark.parametrize(
    ("date", "now", "why"),
    [
        (dt.date(2031, 2, 28), NOW, "lies before the first measurement"),
        (dt.date(2031, 6, 19), NOW, "lies 101 days after the newest measurement, more than 100"),
        (
            dt.date(2031, 3, 13),
            dt.datetime(2031, 3, 13, 23, tzinfo=dt.UTC),
            "is not over yet: the last complete day is 2031-03-12",
        ),
    ],
)
def test_dates_outside_are_refused_with_the_span(asked, date, now, why):
    with pytest.raises(UncoveredDateError, match=rf"made {date} {why}.*{SPAN}"):
        asked(date, now)


def test_an_update_without_a_date_tells_what_old_or_future_inputs_cover(basin):
    done = snowtally("update", basin / "basin.yaml")
    assert done.returncode == 1
    assert SPAN in done.stderr
    assert not (basin / "archive" / "made" / "failed.json").exists()
    for date in ("0001-01-01", "9999-12-31"):
        done = snowtally("update", basin / "basin.yaml", "--date", date)
        assert (done.returncode, "lies outside the years 1900 to 2199" in done.stderr) == (2, True)
