"""Faults of stations, each a small maker: it alters a station's records as a broken sensor or logger would."""

from __future__ import annotations

import numpy as np
import pandas as pd
from trial_kinds import Kind
from trial_season import READINGS, Season

DAY = np.timedelta64(1, "D")
SECONDS_A_DAY = 86_400


def stretch(
    rng: np.random.Generator, records: pd.DataFrame, days: float, wanted: np.ndarray, gaps: bool = True
) -> np.ndarray | None:
    """Return a drawn run of rows that lasts `days` and is wanted throughout, as a mask; None where there is none.

    Without gaps, no row of the run may be missing from the record.
    """
    time = records["true_time"].to_numpy("datetime64[s]")
    first = np.arange(len(time))
    length = np.timedelta64(round(days * SECONDS_A_DAY), "s")
    last = np.searchsorted(time, time + length)
    inside = last < len(time)
    last = last.clip(max=len(time) - 1)
    seen = np.concatenate([[0], np.cumsum(np.asarray(wanted, bool))])
    good = inside & (seen[last + 1] - seen[first] == last + 1 - first)
    # No run may reach its length through a long gap alone.
    good &= time[last] - time <= length + np.timedelta64(SECONDS_A_DAY // 2, "s")
    if not gaps:
        step = np.median(np.diff(time).astype(int))
        good &= (time[last] - time[first]).astype(int) == (last - first) * step
    starts = np.flatnonzero(good)
    if not len(starts):
        return None
    start = rng.choice(starts)
    return (first >= start) & (first <= last[start])


def one_reading(rng: np.random.Generator, wanted: np.ndarray, length: int = 1) -> np.ndarray | None:
    """Return a mask of a drawn run of `length` rows within a wanted stretch, well away from its ends."""
    around = np.convolve(np.asarray(wanted, int), np.ones(length + 4, int), "valid") == length + 4
    starts = np.flatnonzero(around) + 2
    if not len(starts):
        return None
    rows = np.zeros(len(wanted), bool)
    start = rng.choice(starts)
    rows[start : start + length] = True
    return rows


def onwards(rows: np.ndarray) -> np.ndarray:
    """Return the mask of all rows from the first of a run to the record's end."""
    return np.arange(len(rows)) >= np.flatnonzero(rows)[0]


def _given(records: pd.DataFrame, name: str, least: float) -> np.ndarray:
    """Return the rows that hold a reading over a truth of at least so much (mm, m)."""
    truth = {"swe_mm": "true_swe_mm", "depth_cm": "true_depth_m"}[name]
    return (records[truth] >= least).to_numpy() & records[name].notna().to_numpy()


def _reading_step(records: pd.DataFrame, name: str) -> int:
    """Return the decimals that the sensor's readings are written with."""
    return 0 if (records[name].dropna() % 1 == 0).all() else 1


def _put(records: pd.DataFrame, name: str, rows: np.ndarray, values: np.ndarray) -> None:
    records.loc[rows, name] = np.round(values, _reading_step(records, name))


def _lone(name: str, least: float, sizes: tuple[float, float], length: int = 1):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        records = season.stations[site]
        rows = one_reading(rng, _given(records, name, least), length)
        if rows is not None:
            jump = rng.uniform(*sizes, length) * (rng.choice([-1, 1], length) if length > 1 else 1)
            values = records.loc[rows, name].to_numpy() + jump
            _put(records, name, rows, values)
        return rows

    return make


def _flat(name: str, least: float):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        records = season.stations[site]
        deep = name == "air_temperature_c" or (records[_truth(name)] >= least).to_numpy()
        given = records[name].notna().to_numpy()
        rows = stretch(rng, records, rng.uniform(5, 9), deep & np.ones(len(records), bool))
        if rows is not None:
            # Where the readings would have stood still anyway nothing is wrong.
            if np.ptp(records.loc[rows & given, name]) < 4:
                return None
            records.loc[rows & given, name] = records.loc[rows & given, name].iloc[0]
        return rows

    return make


def _times_factor(name: str, factor: float, least: float, days: float, on: bool):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        records = season.stations[site]
        rows = stretch(rng, records, days, (records[_truth(name)] >= least).to_numpy())
        if rows is None:
            return None
        rows = onwards(rows) if on else rows
        records.loc[rows, name] = np.round(records.loc[rows, name] * factor, 1)
        return rows

    return make


def _truth(name: str) -> str:
    return {"swe_mm": "true_swe_mm", "depth_cm": "true_depth_m"}[name]


def _dead_clock(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    rows = stretch(rng, records, rng.uniform(2, 4), np.ones(len(records), bool))
    if rows is not None:
        records.loc[rows, "time"] = records.loc[rows, "time"].iloc[0]
    return rows


def _repeated_times(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Set the clock back by a day for a day or two: times that were there before come with other readings."""
    records = season.stations[site]
    rows = stretch(rng, records, rng.uniform(3, 4), np.ones(len(records), bool), gaps=False)
    if rows is not None:
        late = records["true_time"] - records.loc[rows, "true_time"].iloc[0]
        rows = rows & (late >= DAY).to_numpy()
        records.loc[rows, "time"] -= DAY
    return rows


def _clock_off(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    rows = stretch(rng, records, 30, np.ones(len(records), bool))
    if rows is not None:
        rows = onwards(rows)
        records.loc[rows, "time"] += np.timedelta64(6, "h") * int(rng.choice([-1, 1]))
    return rows


def _summer_time(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:  # noqa: ARG001  all do the same
    records = season.stations[site]
    rows = (records["true_time"] >= np.datetime64(f"{season.year + 1}-03-28T02:00")).to_numpy()
    records.loc[rows, "time"] += np.timedelta64(1, "h")
    return rows


def _step(sizes: tuple[float, float]):
    def make(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
        records = season.stations[site]
        rows = stretch(rng, records, 20, (records["true_swe_mm"] >= 30).to_numpy())
        if rows is not None:
            rows = onwards(rows)
            records.loc[rows, "swe_mm"] += round(rng.uniform(*sizes))
        return rows

    return make


def _drift(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    rows = stretch(rng, records, 100, np.ones(len(records), bool))
    if rows is None:
        return None
    rows = onwards(rows)
    days = (records["true_time"] - records.loc[rows, "true_time"].iloc[0]) / DAY
    away = rng.uniform(10, 15) / 30 * days.to_numpy() * rng.choice([-1, 1])
    _put(records, "swe_mm", rows, (records["swe_mm"] + away)[rows])
    return rows & (np.abs(away) >= 20)


def _zero(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Move the zero of a bare pillow: before the first snow, or after the last."""
    records = season.stations[site]
    snowy = np.flatnonzero((records["true_swe_mm"] >= 2).to_numpy())
    if not len(snowy):
        return None
    order = np.arange(len(records))
    per_day = round(DAY / np.median(np.diff(records["true_time"].to_numpy())))
    autumn, summer = order < snowy[0], order > snowy[-1]
    rows = autumn if rng.random() < 0.5 else summer
    if rows.sum() < 15 * per_day:
        rows = autumn if summer.sum() < autumn.sum() else summer
    if rows.sum() < 15 * per_day:
        return None
    records.loc[rows, "swe_mm"] += round(rng.uniform(40, 60))
    return rows


def _dead_codes(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    name = rng.choice(["swe_mm", "depth_cm"])
    rows = one_reading(rng, records[name].notna().to_numpy(), int(rng.integers(1, 9)))
    records.loc[rows, name] = rng.choice([-6999.0, 9999.0, 32767.0, -99.9])
    return rows


def _noise(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    rows = stretch(rng, records, rng.uniform(2, 3), (records["true_swe_mm"] >= 80).to_numpy())
    if rows is not None:
        noise = rng.uniform(20, 30) * rng.standard_normal(rows.sum())
        _put(records, "swe_mm", rows, records.loc[rows, "swe_mm"].to_numpy() + noise)
    return rows


def _target_sunk(rng: np.random.Generator, season: Season, site: str) -> np.ndarray:
    records = season.stations[site]
    records["depth_cm"] -= round(rng.uniform(30, 50))
    return np.ones(len(records), bool)


def _depth_sign(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    rows = stretch(rng, records, rng.uniform(1, 4), (records["true_depth_m"] >= 0.2).to_numpy())
    if rows is not None:
        records.loc[rows, "depth_cm"] *= -1
    return rows


def _bridging(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Hold the pillow's reading under a crust while at least 60 mm fall, then let it jump to the truth."""
    records = season.stations[site]
    time, truth = records["true_time"].to_numpy("datetime64[s]"), records["true_swe_mm"].to_numpy()
    last = np.searchsorted(time, time + np.timedelta64(round(rng.uniform(8, 20) * SECONDS_A_DAY), "s")).clip(
        max=len(time) - 1
    )
    low = pd.Series(np.diff(truth, prepend=truth[0])).clip(upper=0).cumsum().to_numpy()
    good = (truth >= 40) & (truth[last] - truth >= 60) & (low - low[last] <= 5)
    if not good.any():
        return None
    start = rng.choice(np.flatnonzero(good))
    rows = (np.arange(len(time)) >= start) & (np.arange(len(time)) < last[start])
    _put(records, "swe_mm", rows, (records["swe_mm"].to_numpy() - truth + truth[start])[rows])
    return rows


def _gauge_reset(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    total = records["precipitation_total_mm"]
    if total.isna().all():
        return None
    rows = one_reading(rng, (total >= 50).to_numpy())
    if rows is None:
        return None
    away = onwards(rows)
    records.loc[away, "precipitation_total_mm"] = np.round(total[away] - total[rows].iloc[0], 2)
    return rows


def _rise(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Lift SWE by at least 60 mm within a day and a half while nothing falls anywhere, for the rest of the season."""
    records = season.stations[site]
    dry = records["true_fallen_mm"] < 0.2
    # Melt would eat the rise: the truth must stand still.
    steady = (records["true_swe_mm"].diff().abs() < 1.0) | records["true_swe_mm"].diff().isna()
    days = rng.uniform(0.5, 1.5)
    rows = stretch(rng, records, 5 + days, (dry & steady & (records["true_swe_mm"] >= 30)).to_numpy())
    if rows is None:
        return None
    late = ((records["true_time"] - records.loc[rows, "true_time"].iloc[0]) / DAY - 2).to_numpy()
    _put(
        records,
        "swe_mm",
        onwards(rows),
        (records["swe_mm"] + rng.uniform(60, 90) * np.clip(late / days, 0, 1))[onwards(rows)],
    )
    return rows & (late > 0)


def _fall(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Take at least 60 mm away within a week of hard frost, for the rest of the season."""
    records = season.stations[site]
    frozen = (records["true_temperature_c"] <= -6).to_numpy() & (records["true_swe_mm"] >= 110).to_numpy()
    rows = stretch(rng, records, 7, frozen & (records["true_fallen_mm"] < 0.5).to_numpy())
    if rows is None:
        return None
    late = ((records["true_time"] - records.loc[rows, "true_time"].iloc[0]) / DAY).to_numpy()
    lost = rng.uniform(60, 90) * np.clip(late / 7, 0, 1)
    away = onwards(rows)
    _put(records, "swe_mm", away, np.clip(records["swe_mm"] - lost, 0, None)[away])
    return rows


def _swapped(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Send a week of another station's readings under this one's name and the other way round."""
    records = season.stations[site]
    for other in rng.permutation(sorted(set(season.stations) - {site})):
        others = season.stations[other]
        if others["planted"].any():
            continue
        both = records.reset_index().merge(others.reset_index(), on="true_time", suffixes=("", "_other"))
        apart = (both["true_swe_mm"] - both["true_swe_mm_other"]).abs() >= 100
        wanted = np.isin(np.arange(len(records)), both.loc[apart, "index"])
        rows = stretch(rng, records, 7, wanted)
        if rows is None:
            continue
        swap = both[both["index"].isin(np.flatnonzero(rows))]
        if swap["index_other"].diff().max() > 2:
            continue
        here, there = swap["index"].to_numpy(), swap["index_other"].to_numpy()
        names = ["swe_mm", "depth_cm", "air_temperature_c"]
        mine = records.loc[here, names].to_numpy()
        records.loc[here, names] = others.loc[there, names].to_numpy()
        others.loc[there, names] = mine
        others.loc[there, "planted"] = -1
        return rows
    return None


def _stale(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    """Send one day's readings again and again for five days or more."""
    records = season.stations[site]
    rows = stretch(rng, records, rng.integers(6, 9), (records["true_swe_mm"] >= 60).to_numpy(), gaps=False)
    if rows is None:
        return None
    place = np.flatnonzero(rows)
    per_day = round(DAY / np.median(np.diff(records["true_time"].to_numpy())))
    names = READINGS[:3]
    source = records.loc[place[:per_day], names].to_numpy()
    records.loc[place, names] = source[np.arange(len(place)) % per_day]
    rows[place[:per_day]] = False
    return rows


def _fahrenheit(rng: np.random.Generator, season: Season, site: str) -> np.ndarray | None:
    records = season.stations[site]
    rows = stretch(rng, records, 40, (records["true_swe_mm"] >= 0).to_numpy())
    if rows is None:
        return None
    rows = onwards(rows)
    records.loc[rows, "air_temperature_c"] = np.round(records.loc[rows, "air_temperature_c"] * 1.8 + 32, 1)
    return rows


_JUMPS = ("spike", "rate of change", "step")
_CLOCK = ("dead clock", "clock off", "duplicate")
_MIXED = ("unit mix-up",)
_AGAINST = ("station against its neighbours", "depth against SWE", "SWE above precipitation")

STATION_KINDS = (
    Kind("lone reading too high", "100 mm", "stations", True, ("spike",), _lone("swe_mm", 20, (100, 150)), "swe_mm"),
    Kind("lone reading too low", "100 mm", "stations", True, ("spike",), _lone("swe_mm", 160, (-150, -100)), "swe_mm"),
    Kind("three wild readings", "100 mm", "stations", True, _JUMPS, _lone("swe_mm", 250, (100, 200), 3), "swe_mm"),
    Kind("lone depth too high", "1 m", "stations", True, ("spike",), _lone("depth_cm", 0.3, (100, 200)), "depth_m"),
    Kind("SWE stands still", "5 days, 4 mm missed", "stations", True, ("flat line",), _flat("swe_mm", 60), "swe_mm"),
    Kind("depth stands still", "5 days, 4 cm missed", "stations", True, ("flat line",), _flat("depth_cm", 0.3), "depth_m"),
    Kind("temperature stands still", "5 days", "stations", True, ("flat line",), _flat("air_temperature_c", 0.0)),
    Kind("SWE in inches from a day on", "20 days over 100 mm", "stations", True, _MIXED,
         _times_factor("swe_mm", 1 / 25.4, 100, 20, on=True), "swe_mm", lasting=True),
    Kind("SWE in inches for a week", "7 days over 100 mm", "stations", True, _MIXED,
         _times_factor("swe_mm", 1 / 25.4, 100, 7, on=False), "swe_mm"),
    Kind("SWE in centimetres from a day on", "20 days over 100 mm", "stations", True, _MIXED,
         _times_factor("swe_mm", 0.1, 100, 20, on=True), "swe_mm", lasting=True),
    Kind("depth in inches from a day on", "20 days over 0.5 m", "stations", True, (*_MIXED, "depth against SWE"),
         _times_factor("depth_cm", 1 / 2.54, 0.5, 20, on=True), "depth_m", lasting=True),
    Kind("clock stands still", "2 days", "stations", True, _CLOCK, _dead_clock),
    Kind("clock set back a day", "2 days", "stations", True, _CLOCK, _repeated_times),
    Kind("clock six hours off", "30 days", "stations", False, _CLOCK, _clock_off, lasting=True),
    Kind("daylight-saving time", "1 h", "stations", False, _CLOCK, _summer_time, lasting=True),
    Kind("step of the pillow", "100 mm", "stations", True, ("step", "rise without precipitation", "rate of change"),
         _step((100, 150)), "swe_mm", lasting=True),
    Kind("small step of the pillow", "30 mm", "stations", False, ("step", "rise without precipitation", "drift of zero", *_AGAINST),
         _step((30, 45)), "swe_mm", lasting=True),
    Kind("drift of the pillow", "10 mm a month", "stations", False, ("drift of zero", *_AGAINST), _drift, "swe_mm",
         lasting=True),
    Kind("zero of the bare pillow", "40 mm, 15 days", "stations", True, ("drift of zero", "step"), _zero, "swe_mm"),
    Kind("undeclared dead codes", "1 reading", "stations", True, ("out of range", "spike"), _dead_codes),
    Kind("noise ten times", "20 mm, 2 days", "stations", True, (*_JUMPS, "noise"), _noise, "swe_mm"),
    Kind("depth target sunk", "30 cm", "stations", True, ("out of range", "drift of zero", "depth against SWE", "negative"),
         _target_sunk, "depth_m", lasting=True),
    Kind("depth with the wrong sign", "20 cm, 1 day", "stations", True, ("out of range", "negative"), _depth_sign,
         "depth_m"),
    Kind("bridging", "60 mm held back", "stations", False, ("bridging", "flat line", "step", "rise without precipitation",
         *_AGAINST), _bridging, "swe_mm"),
    Kind("gauge total falls", "50 mm", "stations", True, ("gauge falls",), _gauge_reset),
    Kind("SWE rises without precipitation", "60 mm in 1.5 days", "stations", True,
         ("rise without precipitation", "step", "station against its neighbours"), _rise, "swe_mm", lasting=True),
    Kind("SWE falls in hard frost", "60 mm in a week", "stations", True,
         ("fall while frozen", "station against its neighbours"), _fall, "swe_mm", lasting=True),
    Kind("two stations swapped", "a week, 100 mm apart", "stations", True,
         ("station against its neighbours", *_JUMPS, "rise without precipitation", "fall while frozen"), _swapped, "swe_mm"),
    Kind("a day's readings again and again", "5 days", "stations", False, ("flat line", "duplicate", "dead clock"), _stale,
         "swe_mm"),
    Kind("temperature in Fahrenheit", "40 days", "stations", True,
         ("unit mix-up", "out of range", "station against its neighbours"), _fahrenheit, lasting=True),
)  # fmt: skip
