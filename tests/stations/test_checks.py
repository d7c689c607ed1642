"""Checks on station series: what is planted is found and named, what is clean stays, whatever the order of the rows."""

import numpy as np
import pandas as pd
import pytest
from clean_season import CLEAN, clean_stations

from snowtally.sites.limits import SnowLimits
from snowtally.sites.points import station_density
from snowtally.stations.checks import check_stations
from snowtally.stations.daily import daily_values
from snowtally.stations.limits import StationLimits
from snowtally.stations.own_series_checks import erratic
from snowtally.stations.series import StationSeries

LIMITS = StationLimits(), SnowLimits()
TOLD_ONLY = {"SWE above precipitation", "gauge falls"}


def check(records):
    return check_stations(records, *LIMITS)


def told(findings, site):
    return {f.rule.name for f in findings if f.site_id == site} - TOLD_ONLY


@pytest.fixture(scope="module")
def winter():
    """A continental season of ten stations, hourly, that the checks leave alone."""
    return clean_stations("continental")


def edited(records, site, name, edit, days=(100, 105)):
    """Return records with one station's values of some days changed, and which rows those are."""
    out = records.copy()
    rows = out.index[(out["site_id"] == site).to_numpy()]
    day = (out.loc[rows, "date"] - out["date"].min()).dt.days
    rows = rows[(day >= days[0]) & (day < days[1])]
    out.loc[rows, name] = edit(out.loc[rows, name].ffill().bfill().to_numpy(float))
    return out, rows


@pytest.mark.parametrize(
    "climate", [pytest.param(one, marks=pytest.mark.long) if one != "continental" else one for one in CLEAN]
)
@pytest.mark.parametrize("step_hours", [1, *(pytest.param(step, marks=pytest.mark.long) for step in (6, 24))])
def test_clean_seasons_stay_whole(climate, step_hours):
    for number in range(2):
        clean = clean_stations(climate, number, step_hours)
        checked, findings = check(clean)
        assert {f.rule.name for f in findings} <= TOLD_ONLY
        pd.testing.assert_frame_equal(checked, clean)


GONE = (100, 273)
FAULTS = {
    # name: column, edit, days, rule
    "one reading 100 mm up": ("swe_mm", lambda v: v + 100.0 * (np.arange(len(v)) == 50), (100, 105), "spike"),
    "one reading 100 mm down": ("swe_mm", lambda v: v - 100.0 * (np.arange(len(v)) == 50), (150, 155), "spike"),
    "three readings wild": (
        "swe_mm", lambda v: v + np.select([np.arange(len(v)) == 50 + k for k in range(3)], [120, -90, 150], 0), (100, 105), "spike"
    ),
    "depth spike": ("depth_m", lambda v: v + 1.5 * (np.arange(len(v)) == 50), (100, 105), "spike"),
    "five days flat": ("swe_mm", lambda v: np.full(len(v), v[0]), (100, 105), "flat line"),
    "depth flat": ("depth_m", lambda v: np.full(len(v), v[0]), (100, 106), "flat line"),
    "air flat": ("air_temperature_c", lambda v: np.full(len(v), v[0]), (100, 103), "flat line"),
    "inches for a week": ("swe_mm", lambda v: np.round(v / 25.4, 1), (120, 127), "unit mix-up"),
    "inches from a day on": ("swe_mm", lambda v: np.round(v / 25.4, 1), (120, 273), "unit mix-up"),
    "centimetres from a day on": ("swe_mm", lambda v: np.round(v / 10, 1), (120, 273), "unit mix-up"),
    "depth in inches": ("depth_m", lambda v: np.round(v / 2.54, 2), (150, 273), "unit mix-up"),
    "fahrenheit": ("air_temperature_c", lambda v: 1.8 * v + 32, GONE, "unit mix-up"),
    "dead code": ("swe_mm", lambda v: np.full(len(v), -6999.0), (100, 101), "out of range"),
    "target below the ground": ("depth_m", lambda v: np.full(len(v), -0.6), (100, 101), "out of range"),
    "signal gone": ("swe_mm", lambda v: np.zeros(len(v)), (130, 180), "rate of change"),
    "step of 100 mm": ("swe_mm", lambda v: v + 100.0, (120, 273), "step"),
    "another level for ten days": ("swe_mm", lambda v: v + 80.0, (120, 130), "step"),
    "noise ten times": (
        "swe_mm", lambda v: v + np.random.default_rng(1).normal(0, 25, len(v)), (120, 123), "rate of change"
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_planted_fault_is_named_and_its_readings_are_not_used_as_they_stand(winter, fault):
    name, edit, days, rule = FAULTS[fault]
    faulty, rows = edited(winter, "S06", name, edit, days)
    checked, findings = check(faulty)
    assert rule in told(findings, "S06")
    changed = rows[(faulty.loc[rows, name] != winter.loc[rows, name].ffill().bfill()).to_numpy()]
    kept = checked.loc[changed, name] == faulty.loc[changed, name]
    # Summer's zero is the same in any unit, and a noisy reading may be right by chance.
    snow = winter.loc[changed, "swe_mm"].to_numpy() > 60
    assert kept[snow].mean() < 0.15
    others = {f.site_id for f in findings if f.rule.name not in TOLD_ONLY}
    assert others == {"S06"}


def test_a_finding_tells_what_an_operator_needs(winter):
    faulty, rows = edited(winter, "S06", "swe_mm", lambda v: np.full(len(v), v[0]))
    (finding,) = [f for f in check(faulty)[1] if f.rule.name == "flat line"]
    assert (finding.table, finding.file, finding.action) == ("stations", "s.csv", "set aside")
    assert finding.line in faulty.loc[rows[0] - 30 : rows[0], "line"].tolist()
    assert finding.start[:10] <= "2031-01-09"
    assert finding.end[:10] == "2031-01-13"
    assert "not one step in" in finding.evidence
    assert "readings)" in finding.evidence


def test_a_shifted_sensor_is_shifted_back(winter):
    faulty, rows = edited(winter, "S06", "swe_mm", lambda v: v + 100.0, (120, 200))
    checked, findings = check(faulty)
    assert "step" in told(findings, "S06")
    off = (checked.loc[rows, "swe_mm"] - winter.loc[rows, "swe_mm"]).dropna().abs()
    assert off.median() < 12


def test_a_rise_that_no_gauge_and_no_neighbour_knows_of(winter):
    dry = quiet_days(winter, 5)
    ramp = np.concatenate([np.linspace(0, 60, 48), np.full(24 * 20 - 48, 60.0)])
    faulty, _ = edited(winter, "S06", "swe_mm", lambda v: v + ramp, (dry, dry + 20))
    assert told(check(faulty)[1], "S06") & {"rise without precipitation", "step"}


def test_snow_does_not_go_while_it_freezes(winter):
    cold = quiet_days(winter, 8)
    ramp = np.concatenate([np.linspace(0, -60, 24 * 7), np.full(24 * 60, -60.0)])
    faulty, _ = edited(winter, "S06", "swe_mm", lambda v: v + ramp[: len(v)], (cold, cold + 67))
    assert "fall while frozen" in told(check(faulty)[1], "S06")


def quiet_days(records, days):
    """Return the first day of a dry frozen stretch in mid-winter."""
    one = records[records["site_id"] == "S06"].groupby("date")
    warm = one["air_temperature_c"].max()
    total = one["precipitation_total_mm"].max() if one["precipitation_total_mm"].max().notna().any() else None
    other = records[records["site_id"] == "S05"].groupby("date")["precipitation_total_mm"].max()
    fallen = (other if total is None else total).diff().rolling(days).sum().shift(-days)
    ok = (warm.rolling(days + 2).max().shift(-days - 1) < -2) & (fallen < 4)
    ok &= np.arange(len(ok)) > 70
    return int(np.flatnonzero(ok.to_numpy())[0])


def test_a_plateau_through_snowfall_with_a_jump_at_its_end_is_bridging():
    times = pd.date_range("2031-01-01", periods=24 * 60, freq="h").astype("datetime64[s]")
    gain = np.interp(np.arange(len(times)), [0, 480, 720, 1440], [150, 160, 230, 240])
    rng = np.random.default_rng(3)
    parts = []
    for i in range(5):
        swe = gain + rng.normal(0, 1.0, len(times))
        if i == 0:
            held = slice(490, 730)
            swe[held] = 160 + rng.normal(0, 1.0, 240)
        parts.append(
            pd.DataFrame(
                {
                    "site_id": f"S{i}", "time": times, "date": times.floor("D"), "swe_mm": np.round(swe), "depth_m": np.nan,
                    "air_temperature_c": np.round(-8 + rng.normal(0, 1, len(times)), 1), "precipitation_mm": np.nan,
                    "precipitation_total_mm": np.nan, "file": "s.csv", "line": np.arange(len(times)) + 2,
                }
            )
        )  # fmt: skip
    checked, findings = check(pd.concat(parts, ignore_index=True))
    assert told(findings, "S0") == {"bridging"}
    assert checked.loc[600:720, "swe_mm"].isna().mean() > 0.9
    assert checked.loc[760:1400, "swe_mm"].notna().all()
    assert {f.site_id for f in findings} == {"S0"}


def test_a_zero_that_drifted_shows_on_bare_ground_and_counts_as_bare(winter):
    last = int((winter["date"].max() - winter["date"].min()).days)
    faulty, rows = edited(winter, "S01", "swe_mm", lambda v: v + 40.0, (last - 25, last + 1))
    checked, findings = check(faulty)
    assert told(findings, "S01") & {"drift of zero", "step"}
    assert checked.loc[rows[240:], "swe_mm"].abs().median() < 10


def test_a_clock_six_hours_off_shows_in_the_days_warmest_hour(winter):
    faulty, _ = edited(winter, "S06", "air_temperature_c", lambda v: np.roll(v, 6), (60, 120))
    assert "clock off" in told(check(faulty)[1], "S06")
    one_hour, _ = edited(winter, "S06", "air_temperature_c", lambda v: np.roll(v, 1), (60, 120))
    assert told(check(one_hour)[1], "S06") == set()


def test_exchanged_stations_are_named_together(winter):
    faulty = winter.copy()
    days = (faulty["date"] - faulty["date"].min()).dt.days
    a, b = (faulty.index[(faulty["site_id"] == s) & days.between(150, 156)] for s in ("S01", "S05"))
    faulty.loc[a, "swe_mm"], faulty.loc[b, "swe_mm"] = (
        winter.loc[b, "swe_mm"].to_numpy(),
        winter.loc[a, "swe_mm"].to_numpy(),
    )
    checked, findings = check(faulty)
    for site in ("S01", "S05"):
        assert told(findings, site) == {"step", "station against its neighbours"}
    assert checked.loc[a[24:-24], "swe_mm"].isna().all()


def test_the_day_before_sent_again_is_told(winter):
    faulty = winter.copy()
    rows = faulty.index[(faulty["site_id"] == "S06") & (faulty["date"] == "2031-01-20")]
    for name in ("swe_mm", "depth_m", "air_temperature_c"):
        faulty.loc[rows, name] = winter.loc[rows - 24, name].to_numpy()
    checked, findings = check(faulty)
    assert "flat line" in told(findings, "S06")
    assert checked.loc[rows, "swe_mm"].isna().all()


@pytest.mark.parametrize(
    ("step_hours", "told_of"), [pytest.param(1, True, marks=pytest.mark.long), (2, True), (3, False)]
)
def test_snow_alone_sent_again_needs_a_dozen_readings_a_day(step_hours, told_of):
    """Eight readings of snow may be those of the day before by chance, twelve are not."""
    clean = clean_stations("continental", step_hours=step_hours)
    faulty = clean.copy()
    rows = faulty.index[(faulty["site_id"] == "S06") & (faulty["date"] == "2031-01-20")]
    for name in ("swe_mm", "depth_m"):
        faulty.loc[rows, name] = clean.loc[rows - len(rows), name].to_numpy()
    assert ("flat line" in told(check(faulty)[1], "S06")) == told_of


@pytest.mark.parametrize(
    ("name", "usual", "limit"),
    # docs/checks.md: four (depth: six) times the usual noise and 5 mm (10 cm).
    [("swe_mm", 1.0, 4 * 1.0 + 5.0), ("depth_m", 0.01, 6 * 0.01 + 0.10)],
)
@pytest.mark.parametrize("share", [0.99, 1.01])
def test_readings_that_jump_to_and_fro_go_beyond_the_limit(name, usual, limit, share):
    hours = np.arange(24 * 10)
    steady = {"swe_mm": 300.0, "depth_m": 1.0}
    wild = (hours >= 24 * 4) & (hours < 24 * 6) & (hours % 2 == 1)
    time = np.datetime64("2031-01-01T00", "s") + hours * np.timedelta64(3600, "s")
    records = pd.DataFrame(
        {"site_id": "S", "time": time, "date": time.astype("datetime64[D]").astype("datetime64[s]"), "file": "s.csv", "line": hours + 2}
        | dict.fromkeys(("air_temperature_c", "precipitation_mm", "precipitation_total_mm"), np.nan)
        | {column: value + (column == name) * share * limit * wild for column, value in steady.items()}
    )  # fmt: skip
    series = StationSeries(records)
    erratic(series, name, np.array([usual]))
    gone = np.isnan(series.values[name])
    assert gone.any() == (share > 1)
    assert set(records.loc[gone, "time"].dt.day) <= {5, 6}


@pytest.mark.parametrize("bad", ["swe_mm", "depth_m"])
def test_of_two_sensors_that_contradict_each_other_the_one_that_moved_goes(bad):
    clean = clean_stations("continental", step_hours=6)
    factor = {"swe_mm": 0.15, "depth_m": 4.0}[bad]
    faulty, rows = edited(clean, "S06", bad, lambda v: v * factor, (150, 152))
    checked, _ = check(faulty)
    other = {"swe_mm": "depth_m", "depth_m": "swe_mm"}[bad]
    assert checked.loc[rows, bad].isna().all()
    pd.testing.assert_series_equal(checked.loc[rows, other], clean.loc[rows, other])


def test_faulty_depth_is_no_density(winter):
    faulty, _ = edited(winter, "S06", "depth_m", lambda v: np.round(v / 2.54, 2), (150, 200))
    clean, after = (station_density(daily_values(check(r)[0]), 0.2) for r in (winter, faulty))
    clean, after = (t[t["site_id"] == "S06"].set_index("date")["density_kg_m3"] for t in (clean, after))
    both = clean.index.intersection(after.index)
    assert np.abs(after[both] / clean[both] - 1).max() < 0.25
    assert len(both) < len(clean) - 40


def test_the_order_of_the_rows_means_nothing_and_names_may_be_categories(winter):
    faulty, _ = edited(winter, "S06", "swe_mm", lambda v: np.round(v / 25.4, 1), (120, 127))
    straight, findings = check(faulty)
    shuffled = faulty.sample(frac=1.0, random_state=1)
    shuffled = shuffled.astype({"site_id": "category", "file": "category"})
    again, findings_again = check(shuffled)
    assert findings == findings_again
    pd.testing.assert_frame_equal(straight, again.astype({"site_id": str, "file": str}), check_dtype=False)


def test_a_cold_dry_week_and_bare_ground_are_no_flat_lines(winter):
    still = winter.copy()
    first = quiet_days(winter, 6)
    days = (still["date"] - still["date"].min()).dt.days
    for site in still["site_id"].unique():
        rows = still.index[(still["site_id"] == site) & days.between(first, first + 5)]
        still.loc[rows, "swe_mm"] = still.loc[rows, "swe_mm"].ffill().bfill().iloc[0]
    assert not [f for f in check(still)[1] if f.rule.name == "flat line"]
    bare = winter.assign(swe_mm=7.0, depth_m=0.0)
    assert not [f for f in check(bare)[1] if f.rule.name not in TOLD_ONLY]


def test_one_station_alone_and_none_at_all():
    alone = clean_stations("maritime")
    alone = alone[alone["site_id"] == "S01"].reset_index(drop=True)
    checked, findings = check(alone)
    assert not [f for f in findings if f.rule.name not in TOLD_ONLY]
    assert len(check(alone.head(0))[0]) == 0
    assert len(check(alone.head(1))[0]) == 1
    faulty, _ = edited(alone, "S01", "swe_mm", lambda v: v + 150.0 * (np.arange(len(v)) == 50))
    assert "spike" in told(check(faulty)[1], "S01")
    pd.testing.assert_frame_equal(checked, alone)
