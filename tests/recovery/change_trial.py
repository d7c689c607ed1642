"""Are changes between two dates, and the water of part of a zone, as far off as the archive says? Made basins and their truth.

python tests/recovery/change_trial.py --first-seed 1 --worlds 16
python tests/recovery/change_trial.py --worlds 24 --save rows.csv

On each night of a world of the recovery trial the change of the basin's volume since a day and a week before, since the last
flight and since the last courses is held against the true change, and the volume of parts of the basin against their true
volume. Seeds from 200001 on judge: by them nothing is chosen.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

sys.path[:0] = [str(Path(__file__).parents[2]), str(Path(__file__).parent)]

from recovery_worlds import World, make_world  # noqa: E402
from trial import LEAST_MM  # noqa: E402
from trial_tables import interval  # noqa: E402

from snowtally.archive.within import variance_of  # noqa: E402
from snowtally.estimate.estimate import map_of_day  # noqa: E402
from snowtally.estimate.swe_map import published_fields, zone_band_covariance  # noqa: E402
from snowtally.inspection.change_error import DatedError, change_error  # noqa: E402
from snowtally.model.problems import NoEstimateError  # noqa: E402
from snowtally.statistics.totals import ZoneBands  # noqa: E402

JUDGING = 200_001
Z80 = 1.2815516
MM_PER_M = 1000.0
PARTS = {"half": 0.5, "quarter": 0.25}
"""Share of the cells on one side of a line through the basin."""
DISC = 0.1
"""Share of the basin's cells in a disc about a cell where two zones meet."""


@dataclass(frozen=True)
class Estimate:
    """A night's estimate: each cell's volume and its standard error and the true volume, m3; zone-bands; the total's error."""

    volume: np.ndarray
    se: np.ndarray
    truth: np.ndarray
    zone_bands: tuple[np.ndarray, np.ndarray]
    error: DatedError

    @property
    def off(self) -> np.ndarray:
        """By how much each cell's volume is off, m3."""
        return self.volume - self.truth


def estimate(world: World, day: int) -> Estimate | None:
    """Return the estimate of a day of the season; None where there is nothing to go by or hardly any snow."""
    date = world.date(day)
    inside = world.ground.inside
    if world.truth[date][inside].mean() < LEAST_MM:
        return None
    try:
        found = map_of_day(world.inputs(date), world.choices)
    except NoEstimateError:
        return None
    basin, cell_m = found.inputs.basin, world.ground.grid.cell_m
    fields = published_fields(found.today, found.density, found.inputs)
    units = ZoneBands("world", basin.zone_ids, basin.bands)
    covariance = zone_band_covariance(found.today, fields, units, cell_m)
    m3 = np.nan_to_num(fields["cell_area"].to_numpy()) / MM_PER_M
    # To 0.1 mm, about as the archive rounds them.
    volume, se = (np.nan_to_num(fields[name].to_numpy()).round(1) * m3 for name in ("swe", "swe_se"))
    flown = [{"date": flight.attrs["date"]} for flight in found.inputs.flights]
    record = {"error_budget": covariance.budget(), "models": {"flights": flown}}
    numbers = units.numbers(fields["zone"].to_numpy(), fields["elevation_band"].to_numpy())
    error = DatedError.of(record, float(np.sqrt(covariance.total.sum())))
    return Estimate(volume, se, world.truth[date] * m3, (numbers, covariance.total), error)


def days_before(world: World, day: int) -> dict[str, int]:
    """Return by name the days that a change up to a day is counted from."""
    surveys = world.season.days.get_indexer(world.tables.courses["date"].unique())
    last = {"flight": world.plan.flights, "courses": surveys}
    since = {name: max((int(one) for one in days if one < day), default=-1) for name, days in last.items()}
    return {name: one for name, one in ({"day": day - 1, "week": day - 7} | since).items() if one >= 0}


def parts(world: World, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Return by name which cells lie in a part of the basin: beyond a random line, in a disc over two zones; a zone, and all."""
    inside, zone = world.ground.inside, world.terrain["zone"].to_numpy()
    row, column = np.indices(inside.shape)
    drawn = {}
    for name, share in PARTS.items():
        turn = rng.uniform(0, 2 * np.pi)
        along = np.cos(turn) * row + np.sin(turn) * column
        drawn[name] = inside & (along <= np.quantile(along[inside], share))
    edge = np.argwhere(inside[:, :-1] & inside[:, 1:] & (zone[:, :-1] != zone[:, 1:]))
    if len(edge):
        middle = edge[rng.integers(len(edge))]
        away = np.hypot(row - middle[0], column - middle[1])
        drawn["disc"] = inside & (away <= np.quantile(away[inside], DISC))
    return drawn | {"zone": inside & (zone == rng.integers(zone[inside].max()) + 1), "basin": inside}


def rows_of(seed: int, area_km2: float | None = None) -> pd.DataFrame:
    """Return one row for each change and each part of a night of a world: by how much it is off and its standard error, mm.

    Both are shares of the basin's area. `flights` says what lies behind both dates of a change, or behind a night.
    """
    world = make_world(seed, area_km2)
    nights = {day: days_before(world, day) for day, _ in world.plan.nights}
    days = sorted({*nights, *(then for before in nights.values() for then in before.values())})
    # What snow lies on them is known only of a world that is asked for them.
    world = make_world(seed, area_km2, replace(world.plan, nights=tuple((day, "") for day in days)))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        known = {day: estimate(world, day) for day in days}
    rng, rows = np.random.default_rng([seed, 9]), []
    m3_per_mm = MM_PER_M * world.ground.area_km2

    def add(what: str, flights: str, off: float, se: float) -> None:
        rows.append({"seed": seed, "what": what, "flights": flights, "off": off / m3_per_mm, "se": se / m3_per_mm})

    for day, before in nights.items():
        now = known[day]
        if now is None:
            continue
        behind = "no flight" if now.error.flight is None else "a flight"
        for name, part in parts(world, rng).items():
            variance = variance_of(part.astype(float), now.se, now.zone_bands, world.ground.grid.cell_m)
            add(name, behind, now.off[part].sum(), np.sqrt(variance))
        for name, then in ((name, known[day]) for name, day in before.items()):
            if then is not None:
                between = behind if now.error.flight == then.error.flight else "a flight between"
                add(f"since {name}", between, now.off.sum() - then.off.sum(), change_error(now.error, then.error))
    return pd.DataFrame(rows)


def summary(rows: pd.DataFrame) -> str:
    """Return for each change and part, by the flights behind it, the actual to the stated error and what 80 % hold."""
    lines = {}
    for key, part in rows.groupby(["what", "flights"]):
        means = pd.DataFrame({"off": part["off"] ** 2, "se": part["se"] ** 2})
        means["hold"] = part["off"].abs() <= Z80 * part["se"]
        told = interval(part["seed"], means, _figures)
        lines[key] = {"basins": part["seed"].nunique(), "rows": len(part)} | {
            name: f"{row['value']:.2f} ({row['low']:.2f} to {row['high']:.2f})" for name, row in told.iterrows()
        }
    return pd.DataFrame(lines).T.to_string()


def _figures(means: pd.DataFrame) -> pd.DataFrame:
    off, se = np.sqrt(means["off"]), np.sqrt(means["se"])
    return pd.DataFrame({"off mm": off, "stated mm": se, "ratio": off / se, "80 % hold": means["hold"]})


def main() -> None:
    """Run the trial as the command line asks."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first-seed", type=int, default=JUDGING)
    parser.add_argument("--worlds", type=int, default=24)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--save", type=Path, help="CSV of the rows")
    asked = parser.parse_args()
    seeds = range(asked.first_seed, asked.first_seed + asked.worlds)
    with ProcessPoolExecutor(asked.jobs) as pool:
        rows = pd.concat(list(pool.map(rows_of, seeds)), ignore_index=True)
    if asked.save:
        rows.to_csv(asked.save, index=False)
    sys.stdout.write(summary(rows) + "\n")


if __name__ == "__main__":
    main()
