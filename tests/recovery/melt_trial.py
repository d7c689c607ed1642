"""The melt outlook on made basins whose melt is driven by energy, against a plain degree-day model: a table.

python tests/recovery/melt_trial.py [SEED ...]
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

import skin_snow  # noqa: E402
import worlds  # noqa: E402
from melt_worlds import WEEK, MeltCase, degree_day_melt, make_cases  # noqa: E402

from snowtally.melt.outlook import with_outlook  # noqa: E402

HANDBOOK_MM = (2.74, 5.0)
"""Degree-day factors, mm/(K day): the handbook's when nothing better is known (National Engineering Handbook, part 630, chapter
11, 0.06 in/F), and a high one of the published range."""

NAMES = ("ours", *(f"degree_day_{factor:g}" for factor in HANDBOOK_MM))

KINDS = ("well measured", "few sites", "southern")
STARTS = (190, 204, 216, 228)


def scored(case: MeltCase) -> dict[str, float]:
    """Return volumes of the week's melt, m3: true, as the outlook has it with its error, and by degree days."""
    day = with_outlook(case.day, case.inputs)
    area = np.nan_to_num(case.day.fields["cell_area"].to_numpy())
    table = day.outlook.table
    basin = table[table["level"] == "basin"]
    grids = day.outlook.fields["melt"].to_numpy()
    week = np.nansum(grids, axis=0)
    inside = area > 0
    return {
        "truth": float(np.sum(area * case.melt_mm) / 1000),
        "ours": float(basin["melt_m3"].sum()),
        # Errors of days of one week are nearly one and the same.
        "se": float(basin["melt_se_m3"].sum()),
        "cells_rmse_mm": float(np.sqrt(np.mean((week - case.melt_mm)[inside] ** 2))),
        "cells_rmse_degree_day_mm": float(
            np.sqrt(np.mean((degree_day_melt(case, HANDBOOK_MM[0]) - case.melt_mm)[inside] ** 2))
        ),
        "sun": day.models["outlook"]["sun_factor"],
        "shift": day.models["outlook"]["waves_shift_w_m2"],
        "frost": day.models["outlook"]["surface_frost_share"],
    } | {f"degree_day_{factor:g}": float(np.sum(area * degree_day_melt(case, factor)) / 1000) for factor in HANDBOOK_MM}


SNOWPACKS = {"skin at 0 C melts": skin_snow.march, "sun melts below 0 C": worlds.march}
"""Two truths: the one in which only a surface at the melting point melts, and that of the worlds, whose surface keeps below the
air's temperature while the sun melts the snow beneath."""


def main(seeds: list[int]) -> None:
    """Print the tables."""
    for name, snowpack in SNOWPACKS.items():
        sys.stdout.write(f"\n{name}\n\n")
        table_of(
            pd.DataFrame(
                [
                    {"kind": kind, "seed": seed, "start": start} | scored(case)
                    for kind in KINDS
                    for seed in seeds
                    for start, case in zip(STARTS, make_cases(kind, seed, STARTS, snowpack), strict=True)
                ]
            )
        )


def table_of(table: pd.DataFrame) -> None:
    """Print the rows of one truth and what they come to."""
    for name in NAMES:
        table[f"{name} off"] = table[name] / table["truth"] - 1
    table["within 90 %"] = (table["ours"] - table["truth"]).abs() <= 1.645 * table["se"]
    off = table.filter(like=" off")
    told = [
        table.round(3).to_string(),
        f"\nRMSE of the {WEEK}-day volume: {np.sqrt((off**2).mean()).round(3).to_dict()}",
        f"RMSE over the mean volume: { {name: round(_over_mean(table, name), 3) for name in NAMES} }",
        f"within 90 %: {table['within 90 %'].mean():.2f}",
        f"cells, mm: {table.filter(like='cells_').mean().round(1).to_dict()}",
    ]
    sys.stdout.write("\n".join(told) + "\n")


def _over_mean(table: pd.DataFrame, name: str) -> float:
    return float(np.sqrt(np.mean((table[name] - table["truth"]) ** 2)) / table["truth"].mean())


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or [1, 2, 3])
