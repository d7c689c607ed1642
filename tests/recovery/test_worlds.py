"""A few nights of small made basins, so that a change that spoils the estimate is seen at once.

The trial that judges it, on basins of two physics, is `python tests/recovery/trial.py`.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from baselines import flight_and_line
from scores import Z90
from worlds import hardness, make_world

from snowtally.estimate.estimate import estimate_day, map_of_day

KINDS = ("many flights", "ephemeral snow line")


@pytest.fixture(scope="module", params=KINDS)
def rows(request):
    return nights(make_world(request.param, 7))


def nights(world):
    rows = []
    for date in world.dates:
        inputs, truth = world.inputs(date), world.truth[date]
        day = estimate_day(inputs, world.choices)
        row, column = inputs.basin.grid.rows_columns(day.grid.x[:1], day.grid.y[:1])
        part = slice(row[0], row[0] + day.grid.height), slice(column[0], column[0] + day.grid.width)
        area, within = world.terrain["cell_area"].to_numpy(), day.fields["cell_area"].to_numpy() > 0
        true_volume = np.sum(truth * area) / 1000.0
        if true_volume < 0.01 * area.sum():
            continue
        swe = np.zeros(area.shape)
        swe[part] = np.nan_to_num(day.fields["swe"].to_numpy())
        line = flight_and_line(inputs)
        methods = {"snowtally": swe} | ({} if line is None else {"last flight and line": line})
        off = np.abs(day.fields["swe"].to_numpy() - truth[part]) / np.maximum(day.fields["swe_se"].to_numpy(), 0.5)
        bands = day.totals[day.totals["level"] == "zone_band"]
        edges = {low: k for k, (low, _) in enumerate(world.terrain.attrs["bands"])}
        zone, band = bands["zone_id"].map({"west": 1, "east": 2}), bands["band_low_m"].map(edges) + 1
        of_band = [
            np.sum((truth * area)[(world.terrain["zone"] == z) & (world.terrain["band"] == b)]) / 1000.0
            for z, b in zip(zone, band, strict=True)
        ]
        band_off = np.abs(bands["volume_m3"] - of_band) / np.maximum(bands["volume_se_m3"], 1.0)
        snowy = within & ((truth[part] > 1) | (day.fields["swe"].to_numpy() > 1))
        basin = day.totals.iloc[0]
        told = {
            "cell90": np.mean(off[snowy] < Z90), "band90": np.mean(band_off < Z90),
            "basin_off": (basin["volume_m3"] - true_volume) / max(basin["volume_se_m3"], 1.0),
        }  # fmt: skip
        for name, found in methods.items():
            missed = np.sqrt(np.average((found - truth) ** 2, weights=area))
            error = np.sum(found * area) / 1000.0 / true_volume - 1
            rows.append({"date": str(date), "method": name, "error": error, "rmse": missed} | told)
    return pd.DataFrame(rows)


@pytest.mark.long
def test_the_estimate_beats_the_simplest_good_idea(rows):
    size = rows.assign(size=rows["error"].abs()).pivot_table(index="date", columns="method", values="size").dropna()
    cells = rows.pivot_table(index="date", columns="method", values="rmse").dropna()
    assert len(size) >= 8
    assert size["snowtally"].mean() < 0.9 * size["last flight and line"].mean()
    assert cells["snowtally"].mean() < cells["last flight and line"].mean()


@pytest.mark.long
def test_stated_errors_hold_the_truth(rows):
    ours = rows[(rows["method"] == "snowtally")]
    assert 0.75 <= ours["cell90"].mean() <= 0.99
    assert 0.7 <= ours["band90"].mean() <= 1.0
    assert (ours["basin_off"].abs() < 3).all()


@pytest.mark.long  # it judges the world of the long tests beside it
def test_the_world_is_as_hard_as_nature():
    world = make_world("many flights", 7)
    figures = hardness(world)
    assert 0.5 <= figures["variation"] <= 1.4
    assert 0.05 <= figures["r2_elevation"] <= 0.6
    assert 0.9 <= figures["site_ratio"] <= 1.3


@pytest.mark.long
def test_flights_of_the_season_before_tell_where_snow_gathers():
    world = make_world("flown last season", 7)
    choices = replace(world.choices, method="kriging")
    weight = world.terrain["cell_area"].to_numpy()
    for date in (world.dates[5], world.dates[8]):
        inputs, missed = world.inputs(date), []
        for given in (inputs, replace(inputs, past_pattern=None)):
            found = map_of_day(given, choices).today.swe_mm
            missed.append(
                np.sqrt(np.average(np.square(found - world.truth[date])[weight > 0], weights=weight[weight > 0]))
            )
        assert missed[0] < 0.9 * missed[1]


@pytest.mark.long
def test_the_same_seed_makes_the_same_world():
    one, two = (make_world("few sites", 3) for _ in range(2))
    for date, swe in one.truth.items():
        np.testing.assert_array_equal(swe, two.truth[date])
    assert one.daily.equals(two.daily)
