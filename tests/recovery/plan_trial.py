"""Do the sites that `plan` proposes cut the true error more than others? Made basins, courses added where it says.

In a made basin, courses are added at three places: where the plan says, at random, and evenly spread; each is surveyed on the
days on which the truth is kept, with an offset of its own against its cell. The estimate is made anew with each set, and its
basin volume held against the truth.

`python tests/recovery/plan_trial.py [--worlds 4] [--first-seed 200]` prints the table of docs/figures.md.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

from worlds import SITE_GAIN, SITE_SPREAD, World, make_world  # noqa: E402

from snowtally.estimate.estimate import DayInputs, map_of_day  # noqa: E402
from snowtally.planning.plan import weigh_sites  # noqa: E402

ADDED = 3
KEPT_SITES = 5
"""Of the well measured kinds only so many sites are kept: where many stand already, three more hardly matter."""
RANDOM_SETS = 3
KINDS = ("few sites", "no flight", "southern")
STEEPEST = 20.0


def sparse(world: World) -> World:
    """Return the world with a few of its sites, spread over its heights, stations among them."""
    order = world.sites.sort_values("elevation_m").index
    kept = list(order[np.linspace(0, len(order) - 1, min(KEPT_SITES, len(order))).round().astype(int)])
    if not (world.sites.loc[kept, "kind"] == "station").any():
        kept[-1] = world.sites.index[world.sites["kind"] == "station"][-1]

    def of(table: pd.DataFrame) -> pd.DataFrame:
        return table[table["site_id"].isin(kept)].reset_index(drop=True)

    return replace(world, sites=world.sites.loc[kept], samples=of(world.samples), daily=of(world.daily))


def with_courses(world: World, inputs: DayInputs, cells: list[tuple[int, int]], rng: np.random.Generator) -> DayInputs:
    """Return the inputs with a course at each cell, surveyed on every day up to the date on which the truth is kept."""
    sites, visits = [], []
    for number, (row, column) in enumerate(cells):
        name = f"N{number:02d}"
        gain = SITE_GAIN * np.exp(rng.normal(-0.5 * SITE_SPREAD**2, SITE_SPREAD))
        sites.append(
            {
                "site_id": name, "kind": "course", "x": inputs.basin.grid.x[column], "y": inputs.basin.grid.y[row],
                "elevation_m": float(inputs.basin.terrain["elevation"][row, column]), "inside": True, "row": row, "column": column,
            }
        )  # fmt: skip
        for date in world.dates:
            if date > inputs.day.date:
                continue
            swe = gain * world.truth[date][row, column] * np.exp(rng.normal(0, 0.05))
            visits.append(
                {
                    "site_id": name, "date": pd.Timestamp(date), "swe_mm": swe, "swe_se_mm": 5 + 0.05 * swe,
                    "depth_m": np.nan, "points": 10, "by_depth": False,
                }
            )  # fmt: skip
    ground = inputs.ground
    added = pd.DataFrame(sites).set_index("site_id")
    visits = pd.concat([ground.visits, pd.DataFrame(visits)], ignore_index=True)
    visits["by_depth"] = visits["by_depth"].astype(bool)
    return replace(inputs, ground=replace(ground, sites=pd.concat([ground.sites, added]), visits=visits))


def spread_evenly(allowed: np.ndarray, taken: np.ndarray) -> list[tuple[int, int]]:
    """Return cells as far as can be from each other and from those taken, (n, 2)."""
    cells = np.argwhere(allowed)
    chosen = [tuple(cell) for cell in taken]
    for _ in range(ADDED):
        far = np.min([np.hypot(*(cells - np.array(cell)).T) for cell in chosen], axis=0)
        chosen.append(tuple(int(k) for k in cells[np.argmax(far)]))
    return chosen[len(taken) :]


def nights(job: tuple[str, int]) -> pd.DataFrame:
    """Return one row for each way of adding sites and night of a world."""
    kind, seed = job
    world = sparse(make_world(kind, seed))
    area = world.terrain["cell_area"].to_numpy()
    weight = area / 1000.0
    rows = []
    for number, date in enumerate(world.dates):
        true = float(np.sum(weight * world.truth[date]))
        if true < 10.0 * weight.sum():
            continue
        inputs, rng = world.inputs(date), np.random.default_rng([seed, number])

        def error(given: DayInputs, true: float = true) -> float:
            swe = np.nan_to_num(map_of_day(given, world.choices).today.swe_mm)
            return float(np.sum(weight * swe)) / true - 1

        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            found = map_of_day(inputs, world.choices)
            if found.today.flown is not None:
                continue
            allowed = (area > 0) & (found.inputs.basin.terrain["slope"].to_numpy() <= STEEPEST)
            taken = found.inputs.ground.sites[["row", "column"]].to_numpy()
            allowed[taken[:, 0], taken[:, 1]] = False
            places, _ = weigh_sites(found, weight, allowed, ADDED)
            ways = {"plan": [list(zip(places["row"], places["column"], strict=True))]}
            cells = np.argwhere(allowed)
            ways["random"] = [
                [tuple(int(k) for k in cell) for cell in rng.choice(cells, ADDED, replace=False)]
                for _ in range(RANDOM_SETS)
            ]
            ways["evenly spread"] = [spread_evenly(allowed, taken)]
            common = {"kind": kind, "seed": seed, "date": str(date)}
            rows.append(common | {"way": "none", "error": abs(error(inputs))})
            for way, sets in ways.items():
                size = np.mean([abs(error(with_courses(world, inputs, list(one), rng))) for one in sets])
                told = float(places["together"].iloc[-1]) if way == "plan" and len(places) else np.nan
                rows.append(common | {"way": way, "error": size, "told": told})
    return pd.DataFrame(rows)


def summary(rows: pd.DataFrame) -> str:
    """Return the trial's table: mean absolute error of the basin's volume, per cent."""
    table = rows.pivot_table(index="kind", columns="way", values="error", margins=True)[
        ["none", "random", "evenly spread", "plan"]
    ]
    nights_of = rows[rows["way"] == "none"].groupby("kind").size()
    told = rows["told"].mean()
    return (
        (100 * table).round(2).to_string()
        + "\nnights: " + nights_of.to_string().replace("\n", ", ")
        + f"\nvariance that the plan promised to cut: {told:.2f}"
    )  # fmt: skip


def main() -> None:
    """Run the trial as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=4, help="worlds of each kind")
    parser.add_argument("--first-seed", type=int, default=200)
    asked = parser.parse_args()
    jobs = [(kind, asked.first_seed + k) for k in range(asked.worlds) for kind in KINDS]
    with ProcessPoolExecutor(2) as pool:
        rows = pd.concat(list(pool.map(nights, jobs)), ignore_index=True)
    sys.stdout.write(summary(rows) + "\n")


if __name__ == "__main__":
    main()
