"""The pure parts of the trial on real records, with invented ones."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import real_density
import real_sites
from real_figures import SITES, difference, drawn, figures, summary, whole
from real_records import course_visits, station_days, utm_crs

COURSE = """# a comment
Water Year,Jan,Jan,Jan,Apr,Apr,Apr,May,May,May
,Date,Depth (in),SWE (in),Date,Depth (in),SWE (in),Date,Depth (in),SWE (in)
2011,Dec 29,20,5.0,,40,12.5,Apr 28,,9.0
2012,,,,Mar 30,30,,,,
"""


def test_course_rows_of_a_water_year_become_visits():
    said = [(str(v.date), str(v.nominal_date), v.depth_in, v.swe_in) for v in course_visits(COURSE.splitlines())]
    assert said == [
        ("2010-12-29", "2011-01-01", "20", "5.0"),
        ("2011-04-01", "2011-04-01", "40", "12.5"),
        ("2011-04-28", "2011-05-01", "", "9.0"),
        ("2012-03-30", "2012-04-01", "30", ""),
    ]


def test_station_columns_side_by_side_become_rows():
    swe, depth = "Snow Water Equivalent (in) Start of Day Values", "Snow Depth (in) Start of Day Values"
    lines = ["# note", f"Date,High Pond (7) {swe},High Pond (7) {depth},Low Mill (9) {swe}"]
    table = station_days([*lines, "2011-01-01,4.6,21,", "2011-01-02,4.7,,1.0"])
    assert table[["site_id", "time", "swe", "depth"]].to_numpy().tolist() == [
        ["7", "2011-01-01", "4.6", "21"],
        ["7", "2011-01-02", "4.7", ""],
        ["9", "2011-01-02", "1.0", ""],
    ]


@pytest.mark.parametrize(("longitude", "latitude", "code"), [(-100.2, 40.3, 32614), (10.0, -33.0, 32732)])
def test_utm_zone(longitude, latitude, code):
    assert utm_crs(longitude, latitude).to_epsg() == code


def test_heaps_share_no_season():
    def seasons(nights):
        return {night[:4] for night in nights}

    assert seasons(real_sites.TRAINING) == {str(season) for season in real_sites.TRAINING_SEASONS}
    assert set(real_sites.JUDGING) <= set(real_sites.EVERY)
    assert not seasons(real_sites.EVERY) & seasons(real_sites.TRAINING)
    visits = pd.DataFrame({"season": range(1990, 2017)})
    heaps = [set(real_density.seasons_of(visits, training=training, every=True)) for training in (True, False)]
    assert not heaps[0] & heaps[1]
    assert set(real_density.seasons_of(visits, training=False, every=False)) < heaps[1]


def test_every_site_is_left_out_once():
    sites = [f"S{n}" for n in range(20)]
    groups = real_sites.folds(sites)
    assert sorted(name for group in groups for name in group) == sorted(sites)
    assert {len(group) for group in groups} == {3, 4}


def test_a_site_that_has_never_been_has_neither_rows_nor_their_places():
    rows = pd.DataFrame({"site_id": ["A", "B", "A"], "swe_mm": [1.0, 2.0, 3.0]})
    tables = {"courses": rows, "courses" + real_sites.POSITIONS: pd.DataFrame({"line": [4, 5, 6]}), "findings": rows}
    left = real_sites.without(tables, ["A"])
    assert left["courses"]["swe_mm"].tolist() == [2.0]
    assert left["courses" + real_sites.POSITIONS]["line"].tolist() == [5]
    assert len(left["findings"]) == 3


def test_simple_methods():
    rest = pd.DataFrame({"x": [0.0, 0.0, 3000.0], "y": 0.0, "stated_m": [2000.0, 2500.0, 3000.0]})
    said = real_sites.simple_methods(rest.assign(swe_mm=[100.0, 200.0, 300.0]), 1500.0, 0.0, 2800.0)
    assert said == pytest.approx({"line": 260.0, "inverse distance": 200.0, "mean": 200.0})
    assert real_sites.simple_methods(rest.assign(swe_mm=[0.0, 200.0, 400.0]), 0.0, 0.0, 1000.0)["line"] == 0.0


def site_rows(error, se=50.0, seed=1):
    """Return 12 sites on 8 nights of four seasons; the map is off by `error` mm, the line by 60 at random."""
    rng = np.random.default_rng(seed)
    nights = [(f"{season}-0{month}-01", season) for season in range(2001, 2005) for month in (3, 4)]
    rows = pd.DataFrame([(*night, f"S{n}") for night in nights for n in range(12)], columns=["date", "season", "site"])
    observed = rng.uniform(200, 400, len(rows))
    rows = rows.assign(observed=observed, observed_se=0.0, map=observed + error, map_se=se)
    rows = rows.assign(p10=rows["map"] - 1.2816 * se, p90=rows["map"] + 1.2816 * se, line=observed + 60.0)
    return rows.assign(mean=300.0, **{"inverse distance": observed - 80.0})


def test_figures_of_known_errors():
    rows = real_sites.for_judging(site_rows(np.tile([30.0, -40.0], 48)))
    found = figures(rows, SITES, whole(rows)).iloc[0]
    assert found["RMSE map"] == pytest.approx(np.sqrt((900 + 1600) / 2))
    assert found["bias"] == pytest.approx(-5.0)
    assert found["bias %"] == pytest.approx(-500.0 / found["mean"])
    assert found["ratio"] == pytest.approx(found["RMSE map"] / 60.0)
    assert found["RMSE inverse distance"] == pytest.approx(80.0)
    assert found["rms z"] == pytest.approx(np.sqrt((rows["z"] ** 2).mean()))


def test_what_a_point_is_off_from_its_cell_widens_both_kinds_of_interval():
    row = site_rows(100.0, se=30.0).head(1).assign(observed=400.0, observed_se=40.0)
    for swe, held in ((530.0, True), (630.0, False)):
        judged = real_sites.for_judging(row.assign(map=swe, p10=swe - 38.4, p90=swe + 38.4)).iloc[0]
        assert judged["se"] == pytest.approx(np.sqrt(30.0**2 + (0.2 * swe) ** 2 + 40.0**2))
        assert judged["z"] == pytest.approx((swe - 400.0) / judged["se"])
        assert judged["in80"] == held


def test_a_limit_that_is_far_above_holds_no_site_below():
    row = site_rows(0.0).head(1).assign(map=300.0, p10=299.0, p90=900.0)
    below, above = (real_sites.for_judging(row.assign(observed=value)).iloc[0]["in80"] for value in (200.0, 400.0))
    assert above
    assert not below


def test_rows_of_one_season_and_site_are_drawn_together():
    rows = site_rows(0.0)
    weight = drawn(rows, ("season",), draws=20)
    for _, part in rows.groupby("season"):
        assert (weight[:, part.index] == weight[:, part.index[:1]]).all()
    both = drawn(rows, ("season", "site"), draws=200)
    assert both.mean() == pytest.approx(1.0, abs=0.1)
    one = rows[rows["season"] == 2001]
    assert drawn(one, ("season",), draws=5).tolist() == np.ones((5, len(one))).tolist()


def test_interval_of_all_holds_its_figure():
    rows = real_sites.for_judging(site_rows(np.random.default_rng(2).normal(0, 50, 96)))
    table = summary(rows, SITES, "date")
    assert len(table) == 8 + 3
    low, high = table.loc["all, 5 %"], table.loc["all, 95 %"]
    for name in ("RMSE map", "bias", "ratio", "rms z"):
        assert low[name] < table.loc["all", name] < high[name]


def test_paired_difference_sees_a_gain_that_is_the_same_everywhere():
    error = np.random.default_rng(3).normal(0, 50, 96)
    before, now = (real_sites.for_judging(site_rows(share * error)) for share in (1.0, 0.8))
    table = difference(now.sample(frac=1, random_state=1), before, SITES)
    assert table.loc["RMSE map", "difference"] == pytest.approx(-0.2 * table.loc["RMSE map", "before"])
    assert table.loc["RMSE map", "95 %"] < 0
    assert table.loc["RMSE line", ["difference", "5 %", "95 %"]].tolist() == pytest.approx([0, 0, 0])
    with pytest.raises(ValueError, match="share no row"):
        difference(now, before.assign(date="1999-04-01"), SITES)


def made_visits():
    """Return 12 courses in two rounds of one season, density by height."""
    rng = np.random.default_rng(4)
    rows = pd.DataFrame(
        {"site_id": [f"R_{n}" for n in range(12)] * 2, "elevation_m": list(np.linspace(2000, 3000, 12)) * 2}
    )
    rows["date"] = pd.to_datetime(["2010-02-27"] * 12 + ["2010-03-30"] * 12)
    rows = rows.assign(region="r", season=2010, round=real_density.rounds(rows["date"]), depth_m=1.2)
    rows = rows.assign(density_kg_m3=300 + rng.normal(0, 20, 24))
    return rows.assign(x=rows["elevation_m"] * 10, y=0.0)


def test_a_course_says_nothing_of_its_own_density():
    records = SimpleNamespace(sites=pd.DataFrame({"site_id": ["elsewhere"]}))
    visits = made_visits()
    once = real_density.held_out(records, visits, 2010).set_index(["site", "date"])
    other = visits.assign(density_kg_m3=visits["density_kg_m3"].where(visits["site_id"] != "R_3", 400.0))
    again = real_density.held_out(records, other, 2010).set_index(["site", "date"])
    assert len(once) == 24
    assert once.loc["R_3", "model"].tolist() == again.loc["R_3", "model"].tolist()
    assert once.loc["R_3", "round mean"].tolist() == again.loc["R_3", "round mean"].tolist()
    assert (once["model"] != again["model"]).sum() >= 18


def test_a_round_of_few_courses_is_not_judged():
    records = SimpleNamespace(sites=pd.DataFrame({"site_id": ["elsewhere"]}))
    visits = made_visits()
    assert real_density.held_out(records, visits[visits["site_id"].isin(["R_1", "R_2", "R_3"])], 2010).empty
    assert real_density.held_out(records, visits, 2009).empty
