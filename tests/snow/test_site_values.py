"""What the sites say on a date: carried SWE, depth and density with errors that grow, and sites that measure depth alone."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import UNOBSERVED_MM_PER_DAY, site_turnover
from snowtally.snow.density import BulkDensity, Locations
from snowtally.snow.density_records import SeasonPrior
from snowtally.snow.depth_only import with_depth_only_sites
from snowtally.snow.forcing import season_forcing
from snowtally.snow.site_values import SITE_VARIATION, bare_days, elevation_nodes, points_on, site_values
from snowtally.snow.skill import site_table

DATE = dt.date(2031, 3, 10)
ORIGIN = dt.date(2030, 10, 1)
VISIT = {
    "site_id": "C", "date": pd.Timestamp("2031-03-01"), "nominal_date": pd.NaT, "swe_mm": 300.0, "swe_se_mm": 15.0,
    "depth_m": 1.0, "depth_se_m": 0.05, "density_kg_m3": 300.0, "density_se_kg_m3": 15.0, "points": 8.0, "by_depth": False,
}  # fmt: skip


def ground(visits=(VISIT,), **columns):
    """A course at 2000 m and a station at 2100 m that gains 4 mm a day."""
    days = pd.date_range("2031-02-20", "2031-03-10")
    swe = 200.0 + 4.0 * np.arange(len(days))
    daily = pd.DataFrame({"site_id": "S", "date": days, "swe_mm": swe, "depth_m": swe / 280.0, "depth_se_m": 0.02})
    daily = daily.assign(**columns)
    sites = pd.DataFrame(
        {"elevation_m": [2000.0, 2100.0], "northness": 0.0, "x": [0.0, 3000.0], "y": 0.0},
        index=pd.Index(["C", "S"], name="site_id"),
    )
    return GroundRecord(sites, daily, np.hypot(5.0, 0.03 * daily["swe_mm"].to_numpy()), pd.DataFrame(list(visits)))


RECORD_NUMBERS = ("depth_m", "density_kg_m3", "elevation_m")


def model_on(date):
    return BulkDensity(SeasonPrior("alpine", ORIGIN)).fit(
        pd.DataFrame({"site_id": [], "date": pd.to_datetime([])} | {name: np.zeros(0) for name in RECORD_NUMBERS}),
        date,
    )


def test_a_course_is_carried_with_growing_error_and_its_depth_follows():
    then, now = points_on(ground(), dt.date(2031, 3, 1)).loc["C"], points_on(ground(), DATE).loc["C"]
    assert (then["swe_mm"], then["swe_se_mm"], then["depth_m"], then["age_days"]) == (300.0, 15.0, 1.0, 0.0)
    assert now["age_days"] == 9
    assert now["swe_mm"] == pytest.approx(
        336.0, abs=5.0
    )  # the station gained 36 mm, its line on elevation is nearly flat
    for name in ("swe_se_mm", "density_se_kg_m3", "depth_se_m"):
        assert now[name] > then[name]
    assert now["depth_m"] == pytest.approx(now["swe_mm"] / now["density_kg_m3"])
    assert now["cell_se_mm"] == pytest.approx(np.hypot(now["swe_se_mm"], SITE_VARIATION * now["swe_mm"]))


def test_a_station_of_the_day_is_as_it_measured():
    station = points_on(ground(), DATE).loc["S"]
    assert station["age_days"] == 0
    assert station["depth_m"] == pytest.approx(station["swe_mm"] / 280.0)
    assert station["density_kg_m3"] == pytest.approx(280.0)
    share = np.hypot(station["swe_se_mm"] / station["swe_mm"], 0.02 / station["depth_m"])
    assert station["density_se_kg_m3"] == pytest.approx(280.0 * share)


@pytest.mark.parametrize(("swe", "depth"), [(3.2, 0.002), (0.0, 0.3), (60.0, 0.19)])
def test_a_station_weighs_no_density_in_snow_too_thin_for_its_sensors(swe, depth):
    station = points_on(ground(swe_mm=swe, depth_m=depth), DATE).loc["S"]
    assert (station["swe_mm"], station["depth_m"]) == (swe, depth)
    assert np.isnan(station["density_kg_m3"])


def test_what_was_measured_stands_beside_what_was_carried():
    record = ground(({**VISIT, "nominal_date": pd.Timestamp("2031-03-04")},))
    sites = record.sites.assign(x=0.0, y=0.0, row=0, column=0, inside=True)
    today = SimpleNamespace(swe_mm=np.array([[320.0]]), se_mm=np.array([[30.0]]), flown=None)
    table = site_table(replace(record, sites=sites), today, DATE, None).set_index("site_id")
    assert table.loc["C", "swe_mm"] == pytest.approx(336.0, abs=5.0)
    assert table.loc["C", "reason"] == "300 mm on 2031-03-01, carried to this day; surveyed 2031-03-01 for 2031-03-04"
    assert table.loc["S", "reason"] == ""


@pytest.mark.parametrize("site", ["C", "S"])
def test_a_site_with_depth_alone_gets_swe_by_the_density_model_and_the_product_rule(site):
    unweighed = VISIT | {"swe_mm": np.nan, "swe_se_mm": np.nan, "density_kg_m3": np.nan, "density_se_kg_m3": np.nan}
    record = ground((unweighed,)) if site == "C" else ground(swe_mm=np.nan)
    assert site not in points_on(record, DATE).dropna(subset="swe_mm").index
    told = with_depth_only_sites(record, model_on, [DATE])
    visit = told.visits.set_index("site_id").loc[site]
    day = visit["date"].date()
    place = Locations.of_sites(record.sites.loc[[site]])
    by_model = model_on(day).predict([visit["depth_m"]], place)
    density, density_se = by_model.mean[0], by_model.standard_error()[0]
    assert visit["by_depth"]
    assert visit["swe_mm"] == pytest.approx(density * visit["depth_m"])
    relative = np.sqrt((visit["depth_se_m"] / visit["depth_m"]) ** 2 + (density_se / density) ** 2)
    assert visit["swe_se_mm"] == pytest.approx(relative * visit["swe_mm"])
    assert np.isfinite(points_on(told, DATE).loc[site, "swe_mm"])
    # Its depth settles as well as melts: no gain or loss is taken from it.
    assert site not in told.station_series.columns


def test_a_site_that_is_weighed_needs_no_model():
    record = ground()
    assert with_depth_only_sites(record, model_on, [DATE]) is record
    bare = ground(
        ({**VISIT, "site_id": "C", "depth_m": 0.0, "depth_se_m": 0.0, "swe_mm": np.nan, "swe_se_mm": np.nan},)
    )
    visit = with_depth_only_sites(bare, model_on, [DATE]).visits.iloc[0]
    assert (visit["swe_mm"], visit["swe_se_mm"]) == (0.0, 0.0)


def melted(fall_mm_day):
    """Return a course visited on 1 March and a station that had 100 mm then and loses so much a day."""
    record = ground()
    days = record.daily["date"]
    swe = np.maximum(100.0 - fall_mm_day * np.maximum((days - pd.Timestamp("2031-03-01")).dt.days, 0), 0.0)
    return ground(swe_mm=swe.to_numpy(), depth_m=np.nan)


def test_a_visit_carried_over_days_when_every_station_was_bare_stands_with_a_growing_error():
    slow, fast = (site_values(melted(fall), DATE).loc["C"] for fall in (12.0, 50.0))
    # The station was bare for one day, and for a week; a high course is not bare because a low station is.
    assert fast["swe_mm"] > 100
    assert (
        fast["swe_se_mm"] ** 2 - slow["swe_se_mm"] ** 2
        >= (UNOBSERVED_MM_PER_DAY * 7) ** 2 - (UNOBSERVED_MM_PER_DAY * 2) ** 2
    )
    assert site_values(melted(50.0), dt.date(2031, 3, 2)).loc["C", "swe_se_mm"] < fast["swe_se_mm"]


def test_a_station_without_snow_beside_one_with_snow_hides_no_melt():
    record = ground()
    low = record.daily.assign(site_id="L", swe_mm=0.0, depth_m=0.0)
    sites = pd.concat([record.sites, pd.DataFrame({"elevation_m": [900.0]}, index=pd.Index(["L"], name="site_id"))])
    both = GroundRecord(
        sites, pd.concat([record.daily, low], ignore_index=True), np.full(2 * len(low), 5.0), record.visits
    )
    assert list(bare_days(record)) == []
    assert list(bare_days(both)) == []


def test_bare_days_are_those_on_which_no_station_that_told_had_snow():
    record = melted(50.0)
    bare = bare_days(record)
    assert (bare[0], bare[-1]) == (pd.Timestamp("2031-03-03"), record.daily["date"].max())
    assert bare_days(record) is bare
    snowy = replace(record, daily=record.daily.assign(swe_mm=100.0))
    assert list(bare_days(snowy)) == []


@pytest.mark.parametrize("gone", ["one station", "all stations", "all courses"])
def test_a_record_without_sites_says_what_one_made_anew_says(gone):
    """What the whole record was asked before is kept for the rest, and no answer owes anything to the sites that went."""
    rng = np.random.default_rng(4)
    days, stations, courses = (
        pd.date_range("2030-11-01", DATE),
        [f"S{k}" for k in range(10)],
        [f"C{k}" for k in range(4)],
    )
    count = len(days) * len(stations)
    daily = pd.DataFrame(
        {
            "site_id": np.repeat(stations, len(days)), "date": np.tile(days, len(stations)), "depth_m": np.nan, "depth_se_m": 0.02,
            "swe_mm": np.where(rng.random(count) < 0.1, np.nan, np.tile(np.linspace(0, 300, len(days)), 10) * rng.uniform(0.8, 1.2, count)),
            "air_temperature_c": rng.normal(-5, 3, count), "precipitation_mm": rng.gamma(0.3, 8, count),
        }
    )  # fmt: skip
    visits = [VISIT | {"site_id": site, "swe_mm": 200.0 + 20 * k} for k, site in enumerate(courses)]
    sites = pd.DataFrame(
        {"elevation_m": rng.uniform(1500, 2500, 14), "northness": 0.0, "x": rng.uniform(0, 3e4, 14), "y": rng.uniform(0, 3e4, 14)},
        index=pd.Index([*courses, *stations], name="site_id"),
    )  # fmt: skip
    record = GroundRecord(sites, daily, np.full(count, 5.0), pd.DataFrame(visits))

    def asked(of):
        start, end = pd.Timestamp("2030-11-10"), pd.Timestamp(DATE)
        values = site_values(of, DATE)
        forcing = season_forcing(of, start, end, elevation_nodes(np.array([1500.0, 2500.0])))
        turnover = site_turnover(of, pd.Series(dtype=float), start, end, np.array([1500.0, 2500.0]))
        weather = [] if forcing is None else [forcing.temperature_c, forcing.precipitation_mm]
        return values, [*weather, turnover.gain_mm, turnover.loss_mm, turnover.unobserved_days]

    asked(record)
    went = {"one station": stations[3:4], "all stations": stations, "all courses": courses}[gone]
    rest = record.without(*went)
    one, two = asked(rest), asked(replace(rest))
    pd.testing.assert_frame_equal(one[0], two[0], rtol=1e-12)
    assert len(one[1]) == len(two[1])
    for kept, anew in zip(one[1], two[1], strict=True):
        np.testing.assert_allclose(kept, anew, rtol=1e-12, atol=1e-12)


def test_a_stations_nearest_depth_is_asked_once_and_not_where_it_was_weighed():
    """Depths of 7 and 10 March, none since the 1st before that; a step is three days."""
    empty = np.full(19, np.nan)
    depth = empty.copy()
    depth[[9, 15, 18]] = 1.0, 1.5, 2.0  # 1, 7 and 10 March
    record = ground((), swe_mm=np.nan, depth_m=depth)
    record = replace(record, visits=ground().visits.iloc[:0])

    def asked(*days, of=record):
        told = with_depth_only_sites(of, model_on, [dt.date(2031, 3, day) for day in days])
        return [(row.date.day, row.depth_m) for row in told.visits.itertuples()]

    assert asked(9) == [(10, 2.0)]
    assert asked(8) == [(7, 1.5)]
    assert asked(8, 7, 10) == [(7, 1.5), (10, 2.0)]
    assert asked(4) == [(1, 1.0)]  # as near as the 7th: the earlier
    assert asked() == []
    far = replace(record, daily=record.daily[record.daily["date"] <= "2031-03-01"])
    assert (len(far.daily), asked(4, of=far)) == (10, [(1, 1.0)])
    assert asked(5, of=far) == []
    weighed = record.daily.assign(swe_mm=np.where(record.daily["date"] == "2031-03-06", 300.0, np.nan))
    assert asked(9, of=replace(record, daily=weighed)) == []
    assert asked(10, of=replace(record, daily=weighed)) == [(10, 2.0)]
    row = with_depth_only_sites(record, model_on, [DATE]).visits.iloc[0]
    assert (row["points"], row["by_depth"], row["swe_mm"] / row["depth_m"]) == (
        1.0,
        True,
        pytest.approx(row["density_kg_m3"]),
    )


@pytest.mark.parametrize(("date", "days"), [("2031-03-02", 1), ("2031-03-04", 3), ("2031-02-27", 0)])
def test_each_bare_day_since_a_visit_is_counted_and_none_before_it(date, days):
    """The station is bare all along: nothing but the untold loss of each day adds to the visit's error of 15 mm."""
    told = site_values(ground(swe_mm=0.0, depth_m=0.0), dt.date.fromisoformat(date)).loc["C", "swe_se_mm"]
    assert told == pytest.approx(np.hypot(15.0, days * UNOBSERVED_MM_PER_DAY), rel=1e-9)
