"""Checks from outside the project on station series: QC-01."""

import numpy as np
import pandas as pd

from snowtally.sites.limits import SnowLimits
from snowtally.stations.checks import check_stations
from snowtally.stations.daily import daily_values
from snowtally.stations.limits import StationLimits

# QC-01 (common practice, no source): implied density SWE/HS outside 50-600 kg/m3 flagged when HS > 20 cm; accumulated
# precipitation never falls within a water year; SWE above accumulated precipitation by more than the gauge undercatch allowance
# flagged, not deleted. On a crafted series with a zero drift, a spike, a stuck value and a gap.


def crafted():
    """One water year of a daily-swinging pillow with depth, air and gauge, six-hourly, and one fault of each kind."""
    days = 273
    times = pd.date_range("2030-10-01", periods=4 * days, freq="6h").astype("datetime64[s]")
    day = np.arange(len(times)) / 4.0
    rng = np.random.default_rng(7)
    swe = np.interp(day, [0, 45, 180, 225, 273], [0, 0, 420, 0, 0])
    air = np.interp(day, [0, 45, 180, 225, 273], [6, -4, -3, 8, 13]) + 3 * np.sin(2 * np.pi * day)
    depth = swe / np.interp(day, [0, 45, 180, 225], [150, 150, 340, 450])
    swe = np.round(swe + rng.normal(0, 1.5, len(day)))
    records = pd.DataFrame(
        {
            "site_id": "P", "time": times, "date": times.floor("D"), "swe_mm": swe,
            "depth_m": np.round(depth + rng.normal(0, 0.01, len(day)), 2), "air_temperature_c": np.round(air, 1),
            "precipitation_mm": np.nan, "precipitation_total_mm": np.round(30 + 0.75 * np.maximum.accumulate(np.maximum(swe, 0)), 1),
            "file": "p.csv", "line": np.arange(len(day)) + 2,
        }
    )  # fmt: skip
    at = {name: (day >= a) & (day < b) for name, (a, b) in PLACES.items()}
    records.loc[at["zero"], "swe_mm"] += 35.0
    records.loc[np.flatnonzero(at["spike"])[1], "swe_mm"] += 180.0
    records.loc[at["stuck"], "swe_mm"] = records.loc[np.flatnonzero(at["stuck"])[0], "swe_mm"]
    records.loc[at["thin"], "depth_m"] *= np.linspace(1.0, 0.3, at["thin"].sum())
    records.loc[at["fall"], "precipitation_total_mm"] -= 60.0
    return records[~at["gap"]].reset_index(drop=True), at


PLACES = {
    "zero": (240, 273),
    "spike": (100, 101),
    "stuck": (120, 129),
    "gap": (140, 146),
    "thin": (155, 163),
    "fall": (170, 273),
}


def test_qc_01_a_crafted_series():
    records, _ = crafted()
    checked, findings = check_stations(records, StationLimits(), SnowLimits())
    days = {f.rule.name: (f.start[:10], f.action) for f in findings}
    first = {name: str((pd.Timestamp("2030-10-01") + pd.Timedelta(days=a)).date()) for name, (a, _) in PLACES.items()}
    density = [f for f in findings if f.rule.name in ("depth against SWE", "unit mix-up")]
    assert density
    assert all(first["thin"] < f.start[:10] <= f.end[:10] <= "2031-03-12" for f in density)
    assert all(f.action == "set aside" and f.evidence.startswith("depth") for f in density)
    assert days["gauge falls"][0] == first["fall"]
    assert days["spike"] == (first["spike"], "set aside")
    assert days["flat line"] == (first["stuck"], "set aside")
    zero = days.get("drift of zero", days.get("step"))
    assert zero is not None
    assert abs((pd.Timestamp(zero[0]) - pd.Timestamp(first["zero"])).days) <= 1
    daily = daily_values(checked).set_index("date")
    # A gap stays a gap, and precipitation never falls.
    assert not daily.index.isin(pd.date_range("2031-02-18", "2031-02-23")).any()
    assert (daily["precipitation_mm"].dropna() >= 0).all()


def test_qc_01_swe_above_precipitation_is_flagged_and_not_deleted():
    records, _ = crafted()
    records["precipitation_total_mm"] = 30 + (records["precipitation_total_mm"] - 30).clip(lower=0) * 0.35
    checked, findings = check_stations(records, StationLimits(), SnowLimits())
    (note,) = [f for f in findings if f.rule.name == "SWE above precipitation"]
    assert (note.action, note.severity) == ("used", "note")
    without = check_stations(records.assign(precipitation_total_mm=np.nan), StationLimits(), SnowLimits())[0]
    pd.testing.assert_series_equal(checked["swe_mm"], without["swe_mm"])
