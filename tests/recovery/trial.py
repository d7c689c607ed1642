"""The recovery trial: many made basins, many nights, the pipeline and simple methods against the known truth.

`python tests/recovery/trial.py [--worlds 4] [--first-seed 100]` prints the table of docs/figures.md.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

from baselines import BASELINES  # noqa: E402
from worlds import KINDS, World, hardness, make_world  # noqa: E402

from pipeline.estimate import estimate_day  # noqa: E402

LEAST_MM = 10.0
"""Nights with less in the basin are left out: a share of nothing says nothing."""
AGES = ((0, 0, "flight day"), (1, 7, "1 to 7"), (8, 21, "8 to 21"), (22, 45, "22 to 45"), (46, 400, "later"))
Z90, Z50 = 1.6448536, 0.6744898


def age_class(world: World, date: object) -> str:
    """Return how long ago the last flight was, in words; "last season" where there are only flights of the season before."""
    flown = [flight.attrs["date"] for flight in world.flights if flight.attrs["date"] <= str(date)]
    if not flown:
        return "last season" if world.past_flights else "no flight"
    days = (pd.Timestamp(date) - pd.Timestamp(max(flown))).days
    return next(name for low, high, name in AGES if low <= days <= high)


def nights(job: tuple[str, int, bool]) -> pd.DataFrame:
    """Return one row for each method and night of a world."""
    kind, seed, with_baselines = job
    world = make_world(kind, seed)
    area = world.terrain["cell_area"].to_numpy()
    inside = area > 0
    rows = []
    for date in world.dates:
        truth, weight = world.truth[date][inside], area[inside]
        true_mean = np.average(truth, weights=weight)
        if true_mean < LEAST_MM:
            continue
        inputs = world.inputs(date)
        common = {"kind": kind, "seed": seed, "date": str(date), "age": age_class(world, date), "true_mm": true_mean}
        estimates = {"snowtally": None} | (BASELINES if with_baselines else {})
        for name, method in estimates.items():
            extra = {}
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                if method is None:
                    day = estimate_day(inputs, world.choices)
                    swe = np.full(area.shape, np.nan)
                    r, c = inputs.grid.rows_columns(day.grid.x[:1], day.grid.y[:1])
                    swe[r[0] : r[0] + day.grid.height, c[0] : c[0] + day.grid.width] = day.fields["swe"].to_numpy()
                    extra = coverage(world, date, day, (r[0], c[0]))
                else:
                    swe = method(inputs)
                    if swe is None:
                        continue
            found = swe[inside]
            rows.append(
                common
                | {
                    "method": name,
                    "error": np.average(found, weights=weight) / true_mean - 1,
                    "rmse": np.sqrt(np.average((found - truth) ** 2, weights=weight)),
                    "bands": band_error(world, swe, date),
                }
                | extra
            )
    return pd.DataFrame(rows).assign(**{f"world_{k}": v for k, v in hardness(world).items()})


def zone_bands(world: World) -> tuple[np.ndarray, int]:
    """Return each cell's zone-band number, -1 outside, and how many there are."""
    bands = len(world.terrain.attrs["bands"])
    zone, band = world.terrain["zone"].to_numpy(), world.terrain["band"].to_numpy()
    return np.where(zone > 0, (zone - 1) * bands + band - 1, -1), 2 * bands


def band_error(world: World, swe: np.ndarray, date: object) -> float:
    """Return the mean absolute error of zone-band volumes, as a share of the basin's mean volume of a zone-band."""
    number, count = zone_bands(world)
    inside = number >= 0
    area = world.terrain["cell_area"].to_numpy()[inside]
    sums = [np.bincount(number[inside], field[inside] * area, count) for field in (swe, world.truth[date])]
    held = np.bincount(number[inside], area, count) > 0
    return float(np.abs(sums[0] - sums[1])[held].sum() / sums[1].sum())


def coverage(world: World, date: object, day: object, corner: tuple[int, int]) -> dict[str, float]:
    """Return how often the stated intervals hold the truth, for cells, zone-bands and the basin, and the errors' width."""
    fields = day.fields
    part = (slice(corner[0], corner[0] + day.grid.height), slice(corner[1], corner[1] + day.grid.width))
    truth = world.truth[date][part]
    inside = fields["cell_area"].to_numpy() > 0
    swe, se = fields["swe"].to_numpy(), fields["swe_se"].to_numpy()
    off = (np.abs(swe - truth) / np.maximum(se, 0.5))[inside]
    snowy = ((truth > 1) | (swe > 1))[inside]
    number, count = zone_bands(world)
    number, area = number[part], fields["cell_area"].to_numpy()
    volume = np.bincount(number[inside], (truth * area)[inside] / 1000, count)
    totals = day.totals[day.totals["level"] == "zone_band"]
    lows = {edges[0]: k for k, edges in enumerate(world.terrain.attrs["bands"])}
    index = totals["zone_id"].map({"west": 0, "east": 1}) * len(lows) + totals["band_low_m"].map(lows)
    band_off = np.abs(totals["volume_m3"].to_numpy() - volume[index]) / np.maximum(
        totals["volume_se_m3"].to_numpy(), 1.0
    )
    basin = day.totals.iloc[0]
    true_volume = float((truth * area)[inside].sum() / 1000)
    basin_off = (basin["volume_m3"] - true_volume) / max(basin["volume_se_m3"], 1.0)
    return {
        "cell90": np.mean(off[snowy] < Z90), "cell50": np.mean(off[snowy] < Z50), "band90": np.mean(band_off < Z90),
        "band50": np.mean(band_off < Z50), "basin_off": basin_off, "basin_se": basin["volume_se_m3"] / true_volume,
        "cell_wide": float(np.sqrt(np.mean(se[inside][snowy] ** 2) / np.mean((swe - truth)[inside][snowy] ** 2))),
    }  # fmt: skip


def summary(rows: pd.DataFrame) -> str:
    """Return the trial's tables as text."""
    rows = rows.assign(size=rows["error"].abs())
    ours = rows[rows["method"] == "snowtally"]
    text = ["basin volume, mean absolute error per cent, by days since the flight"]
    text.append((100 * rows.pivot_table(index="method", columns="age", values="size")).round(1).to_string())
    text.append("nights: " + ours.groupby("age").size().to_string().replace("\n", ", "))
    text.append("zone-bands, mean absolute error per cent of the basin's volume")
    text.append((100 * rows.pivot_table(index="method", columns="age", values="bands")).round(1).to_string())
    text.append("by kind: volume error, cell RMSE; ratios to the best other method of the kind")
    table = rows.pivot_table(index="kind", columns="method", values=["size", "rmse"])
    for kind in table.index:
        one, rmse = table.loc[kind, "size"], table.loc[kind, "rmse"]
        # A method that needs a flight has no say on nights before the first: compare over the nights that it has.
        ratio = {}
        for name in one.index.drop("snowtally"):
            theirs = rows[(rows["kind"] == kind) & (rows["method"] == name)].set_index(["seed", "date"])
            same = ours[ours["kind"] == kind].set_index(["seed", "date"]).loc[theirs.index]
            ratio[name] = (same["size"].mean() / theirs["size"].mean(), same["rmse"].mean() / theirs["rmse"].mean())
        if ratio:
            worst = max(ratio, key=lambda name: ratio[name][0])
            worst_cells = max(ratio, key=lambda name: ratio[name][1])
            best = f"best other {worst} ratio {ratio[worst][0]:.2f}, cells {worst_cells} {ratio[worst_cells][1]:.2f}"
        else:
            best = ""
        text.append(f"{kind:22s} {100 * one['snowtally']:5.1f} %  {rmse['snowtally']:6.1f} mm  {best}")
    covers = ours[["cell90", "cell50", "band90", "band50", "cell_wide", "basin_se"]]
    text.append("coverage by age\n" + covers.groupby(ours["age"]).mean().round(2).to_string())
    text.append(
        "basin: 90 % interval holds {:.2f}, 50 % {:.2f}; bias {:+.1f} %".format(
            (ours["basin_off"].abs() < Z90).mean(), (ours["basin_off"].abs() < Z50).mean(), 100 * ours["error"].mean()
        )
    )
    text.append(
        "basin within 90 % by age: "
        + (ours["basin_off"].abs() < Z90).groupby(ours["age"]).mean().round(2).to_string().replace("\n", ", ")
    )
    text.append(
        "bias per cent by age: "
        + (100 * ours["error"]).groupby(ours["age"]).mean().round(1).to_string().replace("\n", ", ")
    )
    hard = ours.groupby(["kind", "seed"])[[c for c in ours if c.startswith("world_")]].first()
    text.append("worlds\n" + hard.groupby("kind").median().round(2).to_string())
    return "\n".join(text)


def main() -> None:
    """Run the trial as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=4, help="worlds of each kind")
    parser.add_argument("--first-seed", type=int, default=100)
    parser.add_argument("--without-baselines", action="store_true")
    parser.add_argument("--save", type=Path)
    asked = parser.parse_args()
    jobs = [
        (kind, seed, not asked.without_baselines)
        for seed in range(asked.first_seed, asked.first_seed + asked.worlds)
        for kind in KINDS
    ]
    with ProcessPoolExecutor(2) as pool:
        rows = pd.concat(list(pool.map(nights, jobs)), ignore_index=True)
    if asked.save:
        rows.to_csv(asked.save, index=False)
    sys.stdout.write(summary(rows) + "\n")


if __name__ == "__main__":
    main()
