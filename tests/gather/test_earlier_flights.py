"""What earlier seasons' flights tell of their rows, from the one reading of the tables that this season's flights stand in."""

import datetime as dt
from types import SimpleNamespace

from snowtally.gather.earlier_flights import gather_earlier_flights
from snowtally.gather.sources import DaySources
from snowtally.inputs.read_flights import read_flights
from snowtally.inputs.source import Source
from snowtally.model.basin import Basin
from snowtally.model.season import first_of_season

SETTINGS = SimpleNamespace(season_start=lambda date: first_of_season(date, "10-01"))


def noticed(tmp_path, *lines):
    file = tmp_path / "flights.csv"
    file.write_text("\n".join(["flight_id,date,depth", *lines]) + "\n", "utf-8")
    tables = read_flights(Source([file], {}, [""]))
    sources = DaySources(SETTINGS, dt.date(2031, 2, 1), {}, None, None)
    told = gather_earlier_flights(sources, Basin(None, None), tables)
    assert (told.flights, told.pattern, told.files) == ([], None, [])
    season = tables.between(dt.date(2030, 10, 1), dt.date(2031, 2, 1))[1]
    return [(one.line, one.rule.name) for one in told.findings], [(one.line, one.rule.name) for one in season]


def test_a_row_of_an_earlier_season_is_told_once_and_as_a_warning(tmp_path):
    past, season = noticed(tmp_path, "P1,2029-03-02,absent.tif", "P2,2022-09-30,absent.tif", "F1,2031-01-02,absent.tif")
    assert past == [(2, "earlier flight not used")]
    assert season == [(4, "missing file")]


def test_what_has_no_date_is_told_once_with_this_seasons_flights(tmp_path):
    past, season = noticed(tmp_path, "P1,2029-13-41,absent.tif", "short", "P2,,absent.tif")
    assert past == []
    assert sorted(season) == [
        (0, "no usable row"),
        (2, "incomplete flight"),
        (2, "unreadable value"),
        (3, "unreadable line"),
        (4, "incomplete flight"),
    ]
