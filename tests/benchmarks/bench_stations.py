"""Station readings to checked daily values against a plain group mean of the same rows, in the same run.

60 stations, 20 years, hourly: 10.5 million rows in memory. `python tests/benchmarks/bench_stations.py [years]` prints the CPU
seconds of both, their ratio and the peak memory; no test asserts them.
"""

import resource
import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.append(str(Path(__file__).parents[1] / "fault_trial"))
sys.path.append(str(Path(__file__).parents[1] / "made"))

from clean_season import clean_stations

from snowtally.sites.limits import SnowLimits
from snowtally.stations.checks import check_stations
from snowtally.stations.daily import daily_values
from snowtally.stations.limits import StationLimits
from snowtally.stations.network import Network

STATIONS, ROUNDS = 60, 5


def many_years(years):
    """One made-up season of ten stations, again for 60 stations and every year, with names and files as the reader gives them."""
    year = clean_stations("maritime").sort_values(["site_id", "time"], kind="stable")
    ten = [part for _, part in year.groupby("site_id", sort=True)]
    parts = []
    for station in range(STATIONS):
        one = ten[station % len(ten)]
        grown = pd.concat([one] * years, ignore_index=True)
        hours = np.arange(len(grown)).astype("timedelta64[h]")
        grown["time"] = np.datetime64("2010-10-01", "s") + hours
        grown["date"] = grown["time"].to_numpy().astype("datetime64[D]").astype("datetime64[s]")
        parts.append(grown.drop(columns=["site_id", "file"]))
    rows = pd.concat(parts, ignore_index=True)
    lengths = [len(part) for part in parts]
    names = [f"S{i:02d}" for i in range(STATIONS)]
    rows["site_id"] = pd.Categorical.from_codes(np.repeat(np.arange(STATIONS, dtype=np.int8), lengths), names)
    rows["file"] = pd.Categorical.from_codes(np.zeros(len(rows), np.int8), ["stations.csv"])
    rows["line"] = np.arange(2, len(rows) + 2)
    return rows


def checked(rows):
    network = Network(pd.Series(np.linspace(1500.0, 3000.0, STATIONS), index=[f"S{i:02d}" for i in range(STATIONS)]))
    records, findings = check_stations(rows, StationLimits(), SnowLimits(), network=network)
    return daily_values(records), findings


def plain(rows):
    return rows.groupby(["site_id", "date"], sort=True, observed=True)[
        ["swe_mm", "depth_m", "air_temperature_c"]
    ].mean()


def timed(work, rows):
    cpu, wall = time.process_time(), time.perf_counter()
    work(rows)
    return time.process_time() - cpu, time.perf_counter() - wall


def main():
    years = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    rows = many_years(years)
    checked(rows.head(20_000))  # the compiled loop is loaded, as on any night but the first
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    taken = {checked: [], plain: []}
    for _ in range(ROUNDS):
        for work in (plain, checked):
            taken[work].append(timed(work, rows))
    cpu = {work: float(np.median([c for c, _ in times])) for work, times in taken.items()}
    wall = {work: min(w for _, w in times) for work, times in taken.items()}
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    held = rows.memory_usage(deep=True).sum() / 2**20
    told = [
        f"{len(rows):,} rows, {held:.0f} MB in memory",
        f"group mean: {cpu[plain]:.2f} s CPU (median), {wall[plain]:.2f} s wall (least)",
        f"checked daily values: {cpu[checked]:.2f} s CPU (median), {wall[checked]:.2f} s wall (least)",
        f"ratio {cpu[checked] / cpu[plain]:.1f} (CPU), peak memory {peak:.0f} MB (making the rows: {before:.0f} MB)",
    ]
    sys.stdout.write("\n".join(told) + "\n")


if __name__ == "__main__":
    main()
