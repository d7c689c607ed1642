"""A whole file of sheets, or a round of one, in inches under centimetres: density is right, the places around tell."""

import numpy as np
import pandas as pd
import pytest

from snowtally.courses import shared_unit
from snowtally.courses.context import Neighbours
from snowtally.courses.shared_unit import files_in_another_unit

ROUNDS = pd.to_datetime(["2031-01-30", "2031-02-28", "2031-03-30"])
SWE = (200.0, 320.0, 450.0)
"""What a place at 2000 m holds in each round, mm."""


def season(seed=2, files=("a.csv",), courses=10, stations=8):
    """Return the samples and the stations of a season whose places differ by a quarter, as real ones do."""
    rng = np.random.default_rng(seed)
    names = [f"C{n}" for n in range(courses)] + [f"S{n}" for n in range(stations)]
    heights = pd.Series(rng.uniform(1700, 2300, len(names)), names)
    place = np.exp(rng.normal(0, 0.25, len(names)) + 0.8 * (heights - 2000) / 1000)
    swe = {name: [value * place[name] * np.exp(rng.normal(0, 0.1)) for value in SWE] for name in names}
    rows = [
        (name, date, value / 300.0, value, files[int(name[1:]) % len(files)], True, True)
        for name in names[:courses]
        for date, value in zip(ROUNDS, swe[name], strict=True)
    ]
    samples = pd.DataFrame(rows, columns=["site_id", "date", "depth_m", "swe_mm", "file", "used", "swe_used"])
    days = pd.date_range("2031-01-01", "2031-04-05")
    daily = [
        pd.DataFrame({"site_id": name, "date": days, "swe_mm": np.interp(days, ROUNDS, swe[name]), "depth_m": 1.0})
        for name in names[courses:]
    ]
    return samples, Neighbours(heights, pd.concat(daily, ignore_index=True))


def scaled(samples, rows, factor):
    return samples.assign(**{key: samples[key].where(~rows, samples[key] * factor) for key in ("depth_m", "swe_mm")})


@pytest.mark.parametrize(
    ("factor", "slip"), [(1 / 2.54, "inches under centimetres"), (2.54, "centimetres taken for inches")]
)
def test_all_sheets_in_another_unit_are_told_by_the_stations(factor, slip):
    samples, around = season()
    (finding,) = files_in_another_unit(scaled(samples, samples["swe_mm"] > 0, factor), around)
    assert finding.degrades
    assert finding.detail.startswith(f"depth and SWE look like {slip}")
    assert "10 courses on 30 visits" in finding.evidence


def test_of_two_files_the_one_in_inches_is_named():
    samples, around = season(files=("a.csv", "b.csv"), courses=16)
    (finding,) = files_in_another_unit(scaled(samples, samples["file"] == "b.csv", 1 / 2.54), around)
    assert finding.file == "b.csv"


def test_a_round_in_inches_is_told_by_the_other_rounds():
    samples, around = season()
    (finding,) = files_in_another_unit(scaled(samples, samples["date"] == ROUNDS[2], 1 / 2.54), around)
    assert (finding.start, finding.end) == ("2031-03-30", "2031-03-30")


def test_courses_that_are_poorer_because_they_lie_lower_raise_no_alarm():
    samples, around = season()
    lower = around.elevation_m.where(around.elevation_m.index.str.startswith("S"), around.elevation_m - 700)
    low = scaled(samples, samples["swe_mm"] > 0, np.exp(-0.8 * 0.7))
    assert files_in_another_unit(low, Neighbours(lower, around.daily)) == []


def test_early_melt_of_the_courses_raises_no_alarm():
    samples, around = season()
    daily = around.daily.assign(
        swe_mm=around.daily["swe_mm"].where(around.daily["date"] < ROUNDS[2], around.daily["swe_mm"] * 0.7)
    )
    melted = scaled(samples, samples["date"] == ROUNDS[2], 1 / 2.54)
    assert files_in_another_unit(melted, Neighbours(around.elevation_m, daily)) == []


def test_places_as_they_are_raise_no_alarm():
    assert [files_in_another_unit(*season(seed, ("a.csv", "b.csv"), 16)) for seed in range(3)] == [[]] * 3
    few, around = season(courses=3)
    assert files_in_another_unit(scaled(few, few["swe_mm"] > 0, 1 / 2.54), around) == []


def test_more_places_tell_a_ratio_no_better_than_kinds_of_places_differ():
    """A thousand places alike leave nothing but what courses and stations differ by nature."""
    names = pd.Index([f"P{n}" for n in range(1000)])
    heights, values = pd.Series(np.linspace(1500.0, 2500.0, 1000), names), pd.Series(0.0, names)
    ratio = shared_unit._against(values[::2], values[1::2], heights)
    assert ratio.sd == pytest.approx(shared_unit.KIND_SD, rel=0.02)
