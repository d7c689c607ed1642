"""Overrides by hand: read, applied before and after the checks, told with who, when and why."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from snowtally.inputs.read_overrides import read_overrides
from snowtally.inputs.source import Source
from snowtally.sites.limits import SnowLimits
from snowtally.sites.overrides import (
    believable,
    samples_without_overridden,
    switched_off,
    with_values,
    without_overridden,
)

HEADER = "site_id,start,end,variable,action,value,who,when,why"
SIGNED = "R. Analyst,2031-04-02,crew saw it"


SPAN = dt.date(2030, 10, 1), dt.date(2031, 6, 30)
BEGUN = pd.Timestamp("2030-10-01T02:00:00")


def table(tmp_path, *lines, span=SPAN):
    file = tmp_path / "overrides.csv"
    file.write_text("\n".join([HEADER, *lines]) + "\n", encoding="utf-8")
    return read_overrides(Source([file], {}, ["", "-9999"]), -2.0, span)


def records(days=6):
    times = pd.date_range("2031-03-01T02:00", periods=4 * days, freq="6h").astype("datetime64[s]")
    one = pd.DataFrame(
        {
            "time": times, "date": (times - pd.Timedelta(hours=2)).floor("D"), "swe_mm": 100.0, "depth_m": 0.4,
            "air_temperature_c": -5.0, "precipitation_mm": 1.0, "precipitation_total_mm": np.nan, "file": "s.csv",
            "line": np.arange(len(times)) + 2,
        }
    )  # fmt: skip
    return pd.concat([one.assign(site_id=s) for s in ("A", "B")], ignore_index=True)


def days_missing(rows, name):
    return rows.groupby(["site_id", "date"])[name].apply(lambda v: v.isna().all()).groupby("site_id").sum().to_dict()


def test_a_period_is_set_aside_to_the_end_of_its_last_day(tmp_path):
    rows, findings = table(tmp_path, f"A,2031-03-02,2031-03-03,swe_mm,set aside,,{SIGNED}")
    assert findings == []
    said, told = without_overridden(records(), rows, {"A", "B"})
    assert days_missing(said, "swe_mm") == {"A": 2, "B": 0}
    assert days_missing(said, "depth_m") == {"A": 0, "B": 0}
    (one,) = told
    assert (one.rule.name, one.site_id, one.action, one.line) == ("override", "A", "set aside", 2)
    assert one.evidence == "set aside: swe_mm (8 readings); R. Analyst, 2031-04-02"
    assert one.detail == "crew saw it"


def test_a_station_is_switched_off_until_further_notice(tmp_path):
    rows, _ = table(tmp_path, f"A,2031-03-04,,,off,,{SIGNED}")
    said, _ = without_overridden(records(), rows, {"A", "B"})
    assert days_missing(said, "swe_mm") == {"A": 3, "B": 0}
    assert switched_off(rows, pd.Timestamp("2031-05-01")) == {"A"}
    assert switched_off(rows, pd.Timestamp("2031-03-03")) == set()


def test_a_value_stands_for_its_days_and_fills_days_without_a_reading(tmp_path):
    rows, _ = table(tmp_path, f"A,2031-03-02,2031-03-04,depth_cm,value,55,{SIGNED}")
    heard = records()
    heard = heard[~((heard["site_id"] == "A") & (heard["date"] == "2031-03-03"))].reset_index(drop=True)
    said, _ = without_overridden(heard, rows, {"A", "B"})
    made = with_values(said, rows, -2.0, (BEGUN, pd.Timestamp("2031-03-07T01:59:59")))
    a = made[made["site_id"] == "A"].groupby("date")["depth_m"].mean()
    assert a.round(6).tolist() == [0.4, 0.55, 0.55, 0.55, 0.4, 0.4]
    cut = with_values(said, rows, -2.0, (BEGUN, pd.Timestamp("2031-03-03T01:59:59")))
    a = cut[cut["site_id"] == "A"].groupby("date")["depth_m"].mean()
    assert a.loc["2031-03-02"] == 0.55
    assert "2031-03-03" not in a.index.strftime("%Y-%m-%d")


def test_a_value_of_precipitation_is_the_days_sum(tmp_path):
    rows, _ = table(tmp_path, f"A,2031-03-02,2031-03-02,precipitation_mm,value,7,{SIGNED}")
    said, _ = without_overridden(records(), rows, {"A", "B"})
    made = with_values(said, rows, -2.0, (BEGUN, pd.Timestamp("2031-03-07T01:59:59")))
    assert made[(made["site_id"] == "A") & (made["date"] == "2031-03-02")]["precipitation_mm"].sum() == 7.0


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (f"A,2nd of March,,swe_mm,set aside,,{SIGNED}", "start must be"),
        (f"A,2031-03-05,2031-03-02,swe_mm,set aside,,{SIGNED}", "end lies before start"),
        (f"A,2031-03-02,,swe_mm,ignore,,{SIGNED}", "action must be one of"),
        (f"A,2031-03-02,,snow,set aside,,{SIGNED}", "variable must be one of"),
        (f"A,2031-03-02,,swe_mm,off,,{SIGNED}", "leave variable blank"),
        (f"A,2031-03-02,2031-03-03,swe_mm,value,,{SIGNED}", "needs a value"),
        (f"A,2031-03-02,,swe_mm,value,90,{SIGNED}", "needs an end"),
        ("A,2031-03-02,,swe_mm,set aside,,,2031-04-02,crew saw it", "who, when and why"),
    ],
)
def test_an_override_that_cannot_be_followed_is_told_and_not_followed(tmp_path, line, words):
    rows, findings = table(tmp_path, line)
    assert len(rows) == 0
    # A file whose only row lacks what every row must have is also told as one without a usable row.
    finding, *more = sorted(findings, key=lambda one: one.rule.name != "override not followed")
    assert finding.rule.name == "override not followed"
    assert {one.rule.name for one in more} <= {"no usable row"}
    assert words in finding.evidence
    assert (finding.line, finding.severity) == (2, "error")


@pytest.mark.parametrize(
    ("variable", "value", "sound"),
    [
        ("swe_mm", 9000, False), ("swe_mm", -50, False), ("swe_mm", 3999, True), ("swe_mm", 0, True),
        ("depth_cm", 1300, False), ("depth_cm", 1200, True), ("air_temperature_c", -273, False), ("precipitation_mm", -1, False),
    ],
)  # fmt: skip
def test_a_value_that_no_snow_can_have_is_not_followed(tmp_path, variable, value, sound):
    rows, _ = table(
        tmp_path, f"A,2031-03-02,2031-03-03,{variable},value,{value},{SIGNED}", f"B,2031-03-02,,,off,,{SIGNED}"
    )
    kept, findings = believable(rows, SnowLimits())
    assert kept["site_id"].tolist() == (["A", "B"] if sound else ["B"])
    assert [(f.rule.name, f.site_id, f.line, f.severity) for f in findings] == (
        [] if sound else [("override not followed", "A", 2, "error")]
    )
    assert all(f"{variable} = {value}, believable are" in f.evidence for f in findings)


def test_the_period_decides_and_not_the_day_it_was_written(tmp_path):
    rows, findings = table(
        tmp_path,
        f"A,2031-03-02,2031-03-03,swe_mm,set aside,,{SIGNED}",
        f"A,2031-03-20,,,off,,{SIGNED}",
        f"A,2029-03-20,2029-04-01,,off,,{SIGNED}",
        f"A,2029-03-20,2029-04-01,,ignore,,{SIGNED}",
        f"A,someday,2029-04-01,,off,,{SIGNED}",
        span=(dt.date(2030, 10, 1), dt.date(2031, 3, 10)),
    )
    assert rows["line"].tolist() == [2]
    # A broken row is told on the days that it may be about: one whose start cannot be read may be about any before its end.
    assert findings == []


def test_a_later_decision_counts_over_an_earlier_one(tmp_path):
    first = "A,2031-03-02,2031-03-04,swe_mm,value,55,R. Analyst,2031-04-02,read at the site"
    later = "A,2031-03-03,,,off,,R. Analyst,2031-04-09,the reading was another site's"
    for lines in ((first, later), (later, first)):
        rows, _ = table(tmp_path, *lines)
        said, _ = without_overridden(records(), rows, {"A", "B"})
        made = with_values(said, rows, -2.0, (BEGUN, pd.Timestamp("2031-03-07T01:59:59")))
        swe = made[made["site_id"] == "A"].groupby("date")["swe_mm"].mean()
        assert swe.loc["2031-03-02"] == 55.0
        assert swe.loc["2031-03-03":].isna().all()


def test_a_value_for_a_part_of_a_day_makes_no_reading_outside_it(tmp_path):
    daily = records()
    daily = daily[daily["time"].dt.hour == 14].reset_index(drop=True)
    period = "A,2031-03-02T00:00-02:00,2031-03-03T06:00-02:00,swe_mm,value,55"
    rows, _ = table(tmp_path, f"{period},{SIGNED}")
    said, _ = without_overridden(daily, rows, {"A", "B"})
    made = with_values(said, rows, -2.0, (BEGUN, pd.Timestamp("2031-03-07T01:59:59")))
    a = made[made["site_id"] == "A"].set_index("date")["swe_mm"]
    assert a.index.is_unique
    assert a.loc["2031-03-02"] == 55.0
    assert a.loc["2031-03-03"] == 100.0


def test_a_value_that_began_before_the_season_stands_from_its_first_day(tmp_path):
    rows, _ = table(tmp_path, f"A,2030-09-01,2030-10-02,swe_mm,value,0,{SIGNED}")
    made = with_values(records(), rows, -2.0, (BEGUN, pd.Timestamp("2031-03-07T01:59:59")))
    assert made["date"].min() == pd.Timestamp("2030-10-01")


def test_an_override_of_a_site_that_is_not_there_is_told(tmp_path):
    rows, _ = table(tmp_path, f"Z,2031-03-02,,,off,,{SIGNED}")
    _, (finding,) = without_overridden(records(), rows, {"A", "B"})
    assert "no such site" in finding.evidence
    assert finding.severity == "warning"


def test_a_course_visit_is_set_aside_but_takes_no_value(tmp_path):
    samples = pd.DataFrame(
        {"site_id": "A", "date": pd.to_datetime(["2031-03-01", "2031-03-02"]), "swe_mm": 1.0, "depth_m": 1.0}
    )
    rows, _ = table(
        tmp_path, f"A,2031-03-02,2031-03-02,,set aside,,{SIGNED}", f"A,2031-03-01,2031-03-01,swe_mm,value,5,{SIGNED}"
    )
    kept, findings = samples_without_overridden(samples, rows, -2.0)
    assert kept["date"].dt.day.tolist() == [1]
    assert kept["swe_mm"].tolist() == [1.0]
    assert [(f.action, f.severity) for f in findings] == [("set aside", "error"), ("set aside", "note")]
