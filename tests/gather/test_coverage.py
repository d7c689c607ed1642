"""Rows of an earlier revision against those of now: what is lost or massively changed is found, what people do to single rows is not."""

import datetime as dt
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from snowtally.gather.coverage import (
    Before,
    Limits,
    earlier_lost,
    held_against,
    net_losses,
)
from snowtally.model.problems import Finding
from snowtally.model.rules.before import CHANGED_VALUES as CHANGED
from snowtally.model.rules.before import FEWER_ROWS as FEWER
from snowtally.model.rules.before import LOST_ROWS
from snowtally.model.rules.files import MISSING_FILE

LOST_INPUT, FEWER_ROWS, CHANGED_VALUES = LOST_ROWS.name, FEWER.name, CHANGED.name
LIMITS = Limits(least_share=0.9, most_changed=0.5)
START, UNTIL = dt.date(2030, 10, 1), dt.date(2031, 4, 13)


def visits():
    """Return three courses' samples: five visits of ten points each."""
    rows = [
        {"site_id": site, "date": pd.Timestamp(2031, 1, 1) + pd.Timedelta(days=25 * visit), "point": str(point),
         "depth_m": 1.0 + 0.1 * visit + 0.01 * point, "swe_mm": 300.0 + 30 * visit + 3 * point, "file": f"{site}.csv"}
        for site in ("C1", "C2", "C3") for visit in range(5) for point in range(10)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def readings():
    """Return three stations' daily values of half a year."""
    days = pd.date_range("2030-11-01", "2031-04-13")
    rows = [
        pd.DataFrame({"site_id": site, "date": days, "swe_mm": np.arange(len(days)) * 2.0 + 10 * n,
                      "depth_m": np.arange(len(days)) * 0.006, "air_temperature_c": -3.0, "file": "stations.csv"})
        for n, site in enumerate(("S1", "S2", "S3"))
    ]  # fmt: skip
    return pd.concat(rows, ignore_index=True)


def found(was, now, *, told=(), until=UNTIL, **more):
    before = Before("2031-04-13@1", was, until, START, **more)
    return held_against(before, now, LIMITS, list(told))


def rules(findings):
    return [(f.rule.name, f.file, f.site_id) for f in findings]


def without(rows, lost):
    return rows[~lost].reset_index(drop=True)


def test_new_rows_and_the_same_rows_are_no_finding():
    rows = visits()
    more = pd.concat([rows, rows.assign(date=pd.Timestamp(2031, 4, 20))])
    assert found({"courses": rows, "stations": readings()}, {"courses": more, "stations": readings()}) == []


@pytest.mark.parametrize("take", [lambda r: r.index == 7, lambda r: r.index.isin([3, 17, 40, 77, 120])])
def test_rows_taken_out_or_corrected_one_by_one_are_no_finding(take):
    rows = visits()
    lost = pd.Series(take(rows), rows.index)
    assert found({"courses": rows}, {"courses": without(rows, lost)}) == []
    corrected = rows.assign(swe_mm=rows["swe_mm"].where(~lost, 90.0))
    assert found({"courses": rows}, {"courses": corrected}) == []


def test_a_whole_visit_taken_out_is_no_finding():
    rows = visits()
    lost = (rows["site_id"] == "C2") & (rows["date"] == rows["date"].max())
    assert found({"courses": rows}, {"courses": without(rows, lost)}) == []


def test_a_course_visited_once_whose_date_is_corrected_is_not_lost_and_one_taken_out_is():
    rows = visits()
    rows = rows[rows["date"] == rows["date"].min()].reset_index(drop=True)
    own = rows["site_id"] == "C2"
    corrected = rows.assign(date=rows["date"].mask(own, pd.Timestamp(2031, 1, 3)))
    assert found({"courses": rows}, {"courses": corrected}) == []
    assert (LOST_INPUT, "C2.csv", "C2") in rules(found({"courses": rows}, {"courses": without(rows, own)}))
    fewer = without(corrected, own & (corrected["point"] != "1"))
    assert (LOST_INPUT, "C2.csv", "C2") in rules(found({"courses": rows}, {"courses": fewer}))


def overrides(sites):
    first = pd.Timestamp(2031, 3, 1, 8) + pd.to_timedelta(range(len(sites)), "D")
    return pd.DataFrame({"site_id": list(sites), "first": first, "action": "set aside", "file": "overrides.csv"})


def test_single_overrides_are_mended_and_taken_back_and_a_table_of_them_is_lost():
    was = overrides("ABCD")
    mended = was.assign(first=was["first"] + pd.Timedelta(days=1))
    for now in (mended, was.iloc[1:], overrides("ABCDE")):
        assert found({"overrides": was}, {"overrides": now}) == []
    (one,) = found({"overrides": was}, {"overrides": was.iloc[:0]})
    assert (one.rule.name, one.file, one.site_id) == (LOST_INPUT, "overrides.csv", "")
    assert [f.rule.name for f in found({"overrides": was}, {"overrides": was.iloc[:1]})] == [FEWER_ROWS]


@pytest.mark.parametrize("now", [None, visits().iloc[:0]])
def test_a_table_that_is_lost_names_its_file_and_the_revision(now):
    (one,) = found({"courses": visits().assign(file="courses.csv")}, {"courses": now})
    assert (one.rule.name, one.table, one.file, one.severity) == (LOST_INPUT, "courses", "courses.csv", "error")
    assert one.evidence == "none of 150 rows read on 2031-04-13@1 is there"


def test_what_a_finding_of_reading_explains_is_not_told_again():
    told = Finding(MISSING_FILE, "courses", "courses.csv")
    rows = visits().assign(file="courses.csv")
    assert found({"courses": rows}, {"courses": rows.iloc[:0]}, told=[told]) == []
    assert found({"courses": rows}, {"courses": rows.iloc[:0]}, told=[replace(told, file="other.csv")]) != []


def test_a_site_that_is_lost_is_named_with_its_own_file():
    rows = visits()
    findings = found({"courses": rows}, {"courses": without(rows, rows["site_id"] == "C3")})
    assert rules(findings)[0] == (LOST_INPUT, "C3.csv", "C3")
    assert rules(findings)[1:] == [(FEWER_ROWS, "C1.csv", "")] or len(findings) == 1


@pytest.mark.parametrize("column", ["swe_mm", "depth_m"])
def test_a_column_that_is_lost_is_named(column):
    rows = readings()
    (one,) = found({"stations": rows}, {"stations": rows.assign(**{column: np.nan})})
    assert (one.rule.name, one.evidence) == (LOST_INPUT, f"{column}: none of 492 values read on 2031-04-13@1 is there")


def test_a_column_that_one_station_lost_is_found():
    rows = readings()
    less = rows.assign(swe_mm=rows["swe_mm"].mask(rows["site_id"] == "S2"))
    findings = found({"stations": rows}, {"stations": less})
    assert ("S2", FEWER_ROWS) in [(f.site_id, f.rule.name) for f in findings] or findings[0].rule.name == FEWER_ROWS


def test_a_file_that_is_cut_off_is_found_by_its_last_days():
    rows = readings()
    (one,) = found({"stations": rows}, {"stations": without(rows, rows["date"] > pd.Timestamp(2031, 4, 10))})
    assert one.rule.name == FEWER_ROWS
    assert one.evidence == "swe_mm: 12 of 21 values of the 7 days up to 2031-04-13 read on 2031-04-13@1"
    whole = visits()
    cut = whole.sort_values("date").iloc[:-22]
    assert [f.rule.name for f in found({"courses": whole}, {"courses": cut})] == [FEWER_ROWS]


def test_days_that_only_one_of_both_may_use_do_not_count():
    rows = readings()
    early = rows[rows["date"] <= pd.Timestamp(2031, 3, 1)]
    assert found({"stations": rows}, {"stations": early}, until=dt.date(2031, 3, 1)) == []
    assert found({"stations": rows}, {"stations": early}, until=dt.date(2031, 3, 20)) != []


@pytest.mark.parametrize("factor", [2.54, 10.0, 25.4, 1 / 2.54, 0.1, 1 / 25.4])
@pytest.mark.parametrize("column", ["swe_mm", "depth_m"])
def test_another_unit_is_found_in_any_column(factor, column):
    rows = readings()
    findings = found({"stations": rows}, {"stations": rows.assign(**{column: rows[column] * factor})})
    assert [(f.rule.name, f.site_id) for f in findings] == [(CHANGED_VALUES, "")]
    assert f"{column}: " in findings[0].evidence
    assert f"{factor:.3g} times as much" in findings[0].evidence


def test_days_without_snow_hide_no_other_unit():
    bare = readings()
    rows = bare.assign(swe_mm=(bare["swe_mm"] - 250.0).clip(lower=0.0))
    assert (rows["swe_mm"] == 0).mean() > 0.6
    findings = found({"stations": rows}, {"stations": rows.assign(swe_mm=rows["swe_mm"] * 2.54)})
    assert [f.rule.name for f in findings] == [CHANGED_VALUES]


def test_another_unit_at_one_station_is_found_there_and_a_correction_by_a_twentieth_is_none():
    rows = readings()
    one = rows.assign(swe_mm=rows["swe_mm"].mask(rows["site_id"] == "S2", rows["swe_mm"] * 25.4))
    assert rules(found({"stations": rows}, {"stations": one})) == [(CHANGED_VALUES, "stations.csv", "S2")]
    assert found({"stations": rows}, {"stations": rows.assign(swe_mm=rows["swe_mm"] * 1.05)}) == []


def test_days_and_months_in_the_other_order_are_lost_rows():
    rows = visits()
    swapped = rows.assign(date=pd.to_datetime(rows["date"].dt.strftime("%Y-%d-%m"), errors="coerce"))
    assert found({"courses": rows}, {"courses": swapped})


def test_what_the_settings_read_in_another_way_may_have_other_values_but_must_be_there():
    rows = readings()
    inches = rows.assign(swe_mm=rows["swe_mm"] * 25.4)
    declared = {"redeclared": frozenset({"stations"})}
    assert found({"stations": rows}, {"stations": inches}, **declared) == []
    assert found({"stations": rows}, {"stations": rows.assign(swe_mm=np.nan)}, **declared)[0].rule.name == LOST_INPUT


def sites():
    return pd.DataFrame({"site_id": ["A", "B", "C", "D"], "longitude": [-32.88, -32.8, -32.7, -32.6],
                         "latitude": [44.1, 44.2, 44.3, 44.4], "kind": "course", "file": "sites.csv"})  # fmt: skip


def test_sites_that_are_lost_or_moved_are_found():
    (one,) = found({"sites": sites()}, {"sites": sites().iloc[:3]})
    assert (one.rule.name, one.site_id) == (LOST_INPUT, "D")
    moved = sites().rename(columns={"longitude": "latitude", "latitude": "longitude"})
    assert {f.rule.name for f in found({"sites": sites()}, {"sites": moved})} == {CHANGED_VALUES}
    (one,) = found({"sites": sites()}, {"sites": sites().assign(kind="station")})
    assert (one.rule.name, one.evidence) == (CHANGED_VALUES, "kind: 4 of 4 values are others since 2031-04-13@1")
    assert found({"sites": sites()}, {"sites": sites().assign(longitude=[-32.7, -32.8, -32.7, -32.6])}) == []


def weather(issued_after=1):
    days = pd.date_range("2031-03-01", "2031-04-13")
    return pd.DataFrame({"date": days, "issued": days + pd.Timedelta(days=issued_after), "solar_mj_m2": 15.0,
                         "air_temperature_c": np.arange(len(days)) * 0.3, "file": "weather.csv"})  # fmt: skip


def test_weather_said_again_later_is_news_and_an_older_issue_an_older_copy():
    for days in (3, 90):
        newer = weather(days).assign(air_temperature_c=9.0)
        assert found({"weather": weather(1)}, {"weather": newer}) == []
        assert net_losses(Before("2031-04-13@1", {"weather": weather(1)}, UNTIL, START), {"weather": newer}) == []
    older = weather(-2).assign(air_temperature_c=9.0)
    assert [f.rule.name for f in found({"weather": weather(1)}, {"weather": older})] == [LOST_INPUT]


def test_the_watch_counts_every_value_and_a_corrected_date_is_no_loss():
    rows = visits()
    before = Before("2031-04-13@1", {"courses": rows}, UNTIL, START)
    assert net_losses(before, {"courses": rows}) == []
    (one,) = net_losses(before, {"courses": rows.drop(index=7)})
    assert (one.file, one.site_id) == ("C1.csv", "C1")
    assert one.evidence == "swe_mm: 1 of 50 values of 2031-04-13@1 are missing now" or "1 of 50" in one.evidence
    corrected = rows.assign(date=rows["date"].where(rows.index != 7, pd.Timestamp(2031, 1, 2)))
    assert net_losses(before, {"courses": corrected}) == []


def test_earlier_seasons_that_are_lost_are_found_and_a_few_visits_judged_otherwise_are_not():
    was = visits().drop_duplicates(["site_id", "date"])
    assert earlier_lost("2031-04-13@1", "courses", was, was.iloc[2:], "visits") == []
    for now in (None, was.iloc[9:]):
        (one,) = earlier_lost("2031-04-13@1", "courses", was, now, "visits")
        assert one.rule.name == FEWER_ROWS
        assert one.evidence.endswith("of 15 visits of earlier seasons that 2031-04-13@1 used")
