"""The weather table: one row a date and issue, and nothing that was said later."""

import datetime as dt

from snowtally.inputs.read_weather import as_issued_by, read_weather
from snowtally.inputs.source import Source

HEADER = "date,elevation_m,solar_mj_m2,air_temperature_c,issued"


def read(tmp_path, *lines):
    file = tmp_path / "weather.csv"
    file.write_text("\n".join([HEADER, *lines]) + "\n", "utf-8")
    return read_weather(Source([file], {}, [""]))


def test_a_row_of_the_same_date_and_issue_replaces_the_earlier_and_is_told(tmp_path):
    rows, findings = read(tmp_path, "2031-03-01,2000,12,-3,2031-03-02", "2031-03-01,1500,12,-1,2031-03-02")
    assert rows["elevation_m"].tolist() == [1500.0]
    assert [(f.line, f.rule.name) for f in findings] == [(2, "duplicate")]


def test_what_was_issued_later_is_not_known_yet(tmp_path):
    rows, findings = read(
        tmp_path,
        "2031-03-01,2000,12,-3,2031-02-27",
        "2031-03-01,2000,12,-5,2031-03-01",
        "2031-03-01,2000,12,-4,2031-03-02",
    )
    assert findings == []
    assert as_issued_by(rows, dt.date(2031, 3, 1))["air_temperature_c"].tolist() == [-5.0]
    assert as_issued_by(rows, dt.date(2031, 2, 28))["air_temperature_c"].tolist() == [-3.0]
