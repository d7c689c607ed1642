"""The trial: faults planted in made-up seasons, read and checked as every night, and what was found and cried falsely.

Each faulty season is compared with its clean twin, so that a finding that stands without the fault does not count.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd
from air_faults import AIR_KINDS
from course_faults import COURSE_KINDS
from station_faults import STATION_KINDS
from trial_basin import Sent, last_day, run_checks, write_season
from trial_kinds import Kind
from trial_season import Season, make_season

from snowtally.gather.day import Readings
from snowtally.model.problems import Finding

KINDS = {kind.name: kind for kind in (*STATION_KINDS, *AIR_KINDS, *COURSE_KINDS)}
MOST_IN_A_SEASON = {"stations": 4, "courses": 3, "sites": 1, "weather": 1}
MOST_LASTING = 2
WITHIN = 0.06
WITHIN_OF = {"swe_mm": 12.0, "depth_m": 0.12, "air_temperature_c": 3.0, "precipitation_mm": 6.0}
"""A day's value this near to the clean twin's (a share of it and mm, m, K, mm) is not spoilt: the sensors' own noise is of this size."""


@dataclass(frozen=True)
class Plant:
    """A planted fault: its kind, its number in the season, its sites, and the first and last local day it touches.

    `told` is the last day that its rows bear, which is another where the date itself is at fault.
    """

    kind: Kind
    number: int
    sites: tuple[str, ...]
    start: pd.Timestamp
    end: pd.Timestamp
    told: pd.Timestamp


@dataclass
class Outcome:
    """What became of a planted fault: found by any rule, named right, and whether what it spoilt was kept out of use.

    `days_lost` counts the site's sound days outside the fault that went out of use with it.
    """

    plant: Plant
    seed: int
    found: bool
    named: bool
    kept_out: float
    days_lost: float
    told: str


@dataclass
class CleanRun:
    """A clean season, what was read from it, and how much of it was set aside."""

    season: Season
    readings: Readings
    days: dict[str, tuple[int, int]]
    cores: tuple[int, int]
    cried: pd.DataFrame


@dataclass
class Trial:
    """The outcomes of all planted faults and of all clean seasons."""

    outcomes: list[Outcome] = field(default_factory=list)
    clean: list[CleanRun] = field(default_factory=list)


def key(finding: Finding) -> tuple:
    """Return what makes a finding the same in two runs; lines move when rows are added."""
    return (
        finding.table,
        finding.site_id,
        finding.rule.name,
        finding.start,
        finding.end,
        finding.action,
        finding.evidence,
    )


COLUMNS = {
    "swe_mm": "swe_mm",
    "depth_m": "depth_cm",
    "air_temperature_c": "air_temperature_c",
    "precipitation_mm": "gauged",
}
"""Daily values, and the columns that their readings were sent in."""


def run_clean(home: Path, seed: int) -> CleanRun:
    """Make a clean season, run it, and count what was set aside of it."""
    season = make_season(seed)
    sent = write_season(home, season)
    readings = run_checks(home, last_day(season))
    days = {name: _days_set_aside(sent, readings, column, name) for name, column in COLUMNS.items()}
    aside = {(Path(f.file).name, f.line) for f in readings.findings if f.table == "courses" and f.action == "set aside"}
    lines = set(zip(sent.courses["file"], sent.courses["line"], strict=True))
    cried = pd.DataFrame(
        [
            (
                season.climate.name,
                seed,
                f.table,
                f.site_id,
                f.rule.name,
                f.severity,
                f.action,
                f.start,
                f.end,
                f.evidence,
            )
            for f in readings.findings
        ],
        columns=["climate", "seed", "table", "site_id", "rule", "severity", "action", "start", "end", "evidence"],
    )
    return CleanRun(season, readings, days, (len(aside & lines), len(lines)), cried)


def _days_set_aside(sent: Sent, readings: Readings, column: str, name: str) -> tuple[int, int]:
    """Return how many station-days with readings have no daily value, and how many have readings."""
    sent_rows = sent.stations.assign(
        gauged=sent.stations["precipitation_mm"].fillna(sent.stations["precipitation_total_mm"])
    )
    given = sent_rows[sent_rows[column].notna()]
    given = pd.MultiIndex.from_arrays([given["site_id"], given["time"].dt.normalize().astype("datetime64[s]")]).unique()
    given = given[given.get_level_values(1) <= pd.Timestamp(last_day_of(readings))]
    return int(daily(readings, name).reindex(given).isna().sum()), len(given)


def last_day_of(readings: Readings) -> pd.Timestamp:
    """Return the day that was run."""
    return pd.Timestamp(readings.inputs.day.date)


def daily(readings: Readings, name: str) -> pd.Series:
    """Return the stations' daily values in use by site and day."""
    table = readings.inputs.ground.daily
    return table.set_index(["site_id", "date"])[name]


def plant_some(rng: np.random.Generator, season: Season, wanted: list[Kind]) -> list[Plant]:
    """Plant faults of the wanted kinds at drawn sites of a season, in place; each site takes one.

    Those that were planted are taken off the list; those that the season has no room for stay.
    """
    plants: list[Plant] = []
    used: set[str] = set()
    room, lasting = dict(MOST_IN_A_SEASON), MOST_LASTING
    for kind in list(wanted):
        if not room[kind.table] or (kind.lasting and not lasting) or any(plant.kind is kind for plant in plants):
            continue
        sites = {"courses": season.courses, "weather": [""]}.get(kind.table, season.stations)
        for site in rng.permutation(sorted(set(sites) - used)):
            number = len(plants) + 1
            touched = kind.make(rng, season, str(site))
            if touched is None:
                continue
            plant = _planted(season, kind, number, str(site), touched)
            plants.append(plant)
            used |= set(plant.sites)
            wanted.remove(kind)
            room[kind.table] -= 1
            lasting -= kind.lasting
            break
    return plants


def _planted(season: Season, kind: Kind, number: int, site: str, touched: np.ndarray) -> Plant:
    """Mark the touched rows and return the fault as planted."""
    whole = pd.Timestamp(f"{season.year}-10-01"), pd.Timestamp(f"{season.year + 1}-06-30")
    if kind.table == "sites":
        return Plant(kind, number, (site,), *whole, told=whole[0])
    if kind.table == "weather":
        season.weather.loc[touched, "planted"] = number
        days = season.weather.loc[touched, "date"]
        return Plant(kind, number, (site,), days.min(), days.max(), told=days.max())
    if kind.table == "courses":
        rows = season.courses[site]
        rows.loc[touched, "planted"] = number
        for late in season.late_courses:
            if late["site_id"].iloc[0] == site:
                late["planted"] = number
        days = rows.loc[touched, "day"]
        written = pd.to_datetime(rows.loc[touched, "date"], format="%Y-%m-%d", errors="coerce").dropna()
        return Plant(kind, number, (site,), days.min(), days.max(), told=max([days.max(), *written]))
    rows = season.stations[site]
    rows.loc[touched, "planted"] = number
    sites = [site]
    for other, records in season.stations.items():
        swapped = (records["planted"] == -1).to_numpy()
        if swapped.any():
            records.loc[swapped, "planted"] = number
            sites.append(other)
    times = pd.concat([rows.loc[touched, name] for name in ("true_time", "time")])
    start, end = times.min().normalize(), min(times.max().normalize(), whole[1])
    return Plant(kind, number, tuple(sites), start, end, told=end)


def score(plant: Plant, sent: Sent, readings: Readings, clean: CleanRun) -> Outcome:
    """Return what became of a planted fault."""
    before = {key(finding) for finding in clean.readings.findings}
    lines = frozenset()
    if plant.kind.table == "courses":
        rows = sent.courses[(sent.courses["planted"] == plant.number) & sent.courses["site_id"].isin(plant.sites)]
        lines = frozenset(zip(rows["file"], rows["line"], strict=True))
    new = [
        f
        for f in readings.findings
        if key(f) not in before and f.table == plant.kind.table and _is_about(f, plant, lines)
    ]
    named = any(f.rule.name in plant.kind.rules for f in new)
    found = named or any(f.severity != "note" for f in new)
    told = ", ".join(sorted({f"{f.rule.name} ({f.action})" for f in new}))
    return Outcome(
        plant,
        clean.season.seed,
        found,
        named,
        _kept_out(plant, readings, clean),
        _days_lost(plant, readings, clean),
        told,
    )


def _is_about(finding: Finding, plant: Plant, lines: frozenset[tuple[str, int]]) -> bool:
    """Return whether a finding is about the planted rows: their lines, or their site and days."""
    place = Path(finding.file).name, finding.line
    if lines and finding.line:
        lone = len(lines) == 1
        if place in lines:
            return True
        if lone:
            return False
    if plant.kind.table == "sites":
        return finding.site_id in plant.sites
    if finding.site_id not in plant.sites or not finding.start:
        return False
    start, end = (pd.Timestamp(text[:10]) for text in (finding.start, finding.end or finding.start))
    slack = pd.Timedelta(days=1 if plant.kind.table == "stations" else 0)
    return start <= plant.end + slack and end >= plant.start - slack


def _kept_out(plant: Plant, readings: Readings, clean: CleanRun) -> float:
    """Return the share of the touched days whose value in use is not spoilt; NaN where the fault spoils no value."""
    if plant.kind.table == "courses":
        now, then = (r.inputs.ground.visits.set_index(["site_id", "date"]) for r in (readings, clean.readings))
        then = then[then.index.isin([(site, plant.start) for site in plant.sites])]
        # Leaving a point out moves a visit's mean by its standard error, and water told from depths alone is rougher.
        nearness = then["swe_mm"] * 0.20 + 2 * then["swe_se_mm"]
        now, here = now["swe_mm"], then["swe_mm"]
    elif plant.kind.reading:
        now, then = (daily(r, plant.kind.reading) for r in (readings, clean.readings))
        day = then.index.get_level_values("date")
        here = then[
            then.index.get_level_values("site_id").isin(plant.sites) & (day >= plant.start) & (day <= plant.end)
        ]
        nearness = here.abs() * WITHIN + WITHIN_OF[plant.kind.reading]
    else:
        return float("nan")
    here = here.dropna()
    if here.empty:
        return float("nan")
    nearness = nearness.reindex(here.index)
    away = (now.groupby(level=[0, 1]).mean().reindex(here.index) - here).abs()
    return float(((away <= nearness) | away.isna()).mean())


def _days_lost(plant: Plant, readings: Readings, clean: CleanRun) -> float:
    """Return how many days of the sites outside the fault are in use without it and not with it; NaN for other tables."""
    if not plant.kind.reading:
        return float("nan")
    now, then = (daily(r, plant.kind.reading).dropna() for r in (readings, clean.readings))
    day = then.index.get_level_values("date")
    near = pd.Timedelta(days=1)
    sound = then.index.get_level_values("site_id").isin(plant.sites) & (
        (day < plant.start - near) | (day > plant.end + near)
    )
    return float((~then.index[sound].isin(now.index)).sum())


def run_trial(home: Path, seeds: list[int], each: int, kinds: list[Kind] | None = None) -> Iterator[Trial]:
    """Plant each kind `each` times in seasons of the seeds, turn by turn, yielding the trial so far after every season.

    The clean twin of a seed is run once; it is planted again and again until every kind has had its turns.
    """
    trial = Trial()
    wanted = [kind for _ in range(each) for kind in (kinds or KINDS.values())]
    turn = 0
    runs: dict[int, CleanRun] = {}
    idle = 0
    # Where a round through all seasons twice plants nothing more, no season has room for what is left.
    while wanted and idle < 2 * len(seeds):
        seed = seeds[turn % len(seeds)]
        if seed not in runs:
            runs[seed] = run_clean(home, seed)
            trial.clean.append(runs[seed])
        clean = runs[seed]
        season = clean.season.copy()
        plants = plant_some(np.random.default_rng([4, seed, turn]), season, wanted)
        turn += 1
        idle = 0 if plants else idle + 1
        if plants:
            sent = write_season(home, season)
            readings = run_checks(home, last_day(season))
            trial.outcomes += [score(plant, sent, readings, clean) for plant in plants]
        yield trial
    for seed in seeds:
        if seed not in runs:
            trial.clean.append(run_clean(home, seed))
            yield trial


LASTING_NIGHTS = 10
"""So many nights after a lasting fault began it is asked whether it was told; others the night after they ended."""


def run_nights(home: Path, seeds: list[int], each: int) -> Iterator[Trial]:
    """Plant each kind `each` times alone and judge it on the night when it should be known, with nothing later to help."""
    trial = Trial()
    cleans = {seed: run_clean(home, seed) for seed in seeds}
    for turn, kind in enumerate([kind for _ in range(each) for kind in KINDS.values() if kind.table != "sites"]):
        for attempt in range(len(seeds)):
            clean = cleans[seeds[(turn + attempt) % len(seeds)]]
            season = clean.season.copy()
            plants = plant_some(np.random.default_rng([5, clean.season.seed, turn]), season, [kind])
            if not plants:
                continue
            (plant,) = plants
            night = (
                plant.start + pd.Timedelta(days=LASTING_NIGHTS) if kind.lasting else plant.told + pd.Timedelta(days=1)
            )
            night = min(night, pd.Timestamp(last_day(season))).date()
            write_season(home, clean.season)
            as_clean = replace(clean, readings=run_checks(home, night))
            sent = write_season(home, season)
            trial.outcomes.append(score(plant, sent, run_checks(home, night), as_clean))
            break
        yield trial


def table(trial: Trial) -> pd.DataFrame:
    """Return a row for each kind: class, least size, how many were planted, found, named right, the share kept out of use.

    `days_lost` is the mean number of sound days that one such fault took with it.
    """
    rows = pd.DataFrame(
        [
            (
                o.plant.kind.name,
                o.plant.kind.table,
                o.plant.kind.gross,
                o.plant.kind.size,
                o.found,
                o.named,
                o.kept_out,
                o.days_lost,
            )
            for o in trial.outcomes
        ],
        columns=["kind", "table", "gross", "least size", "found", "named", "kept_out", "days_lost"],
    )
    grouped = rows.groupby("kind", sort=False)
    done = grouped[["table", "gross", "least size"]].first()
    done["planted"] = grouped.size()
    done[["found", "named"]] = grouped[["found", "named"]].sum()
    done[["kept_out", "days_lost"]] = grouped[["kept_out", "days_lost"]].mean().round(2)
    return done.reindex([name for name in KINDS if name in done.index])


def clean_shares(trial: Trial) -> dict[str, float]:
    """Return the shares of clean station-days (SWE, depth, air temperature, precipitation) and of clean cores that were set aside."""
    shares = {
        name: sum(run.days[name][0] for run in trial.clean) / max(1, sum(run.days[name][1] for run in trial.clean))
        for name in COLUMNS
    }
    shares["cores"] = sum(run.cores[0] for run in trial.clean) / max(1, sum(run.cores[1] for run in trial.clean))
    return shares


NEWEST_DAYS = 3


def newest_days_set_aside(home: Path, clean: CleanRun, nights: int) -> tuple[int, int]:
    """Return how many SWE station-days of the newest three were set aside on drawn nights of a clean season, and of how many.

    The newest day has no later one to speak for it, and it is the one that the night's estimate stands on.
    """
    rng = np.random.default_rng([7, clean.season.seed])
    sent = write_season(home, clean.season)
    aside = given = 0
    for day in rng.choice(np.arange(60, 240), nights, replace=False):
        date = dt.date(clean.season.year, 10, 1) + dt.timedelta(days=int(day))
        readings = run_checks(home, date)
        end = pd.Timestamp(date)
        newest = sent.stations[
            sent.stations["time"].between(
                end - pd.Timedelta(days=NEWEST_DAYS - 1), end + pd.Timedelta(days=1), inclusive="left"
            )
        ]
        one = _days_set_aside(Sent(newest, sent.courses, sent.sites), readings, "swe_mm", "swe_mm")
        aside, given = aside + one[0], given + one[1]
    return aside, given
