"""The headline figures of published nights, recomputed from the published grids and covariance as an outsider would."""

import json
import math

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_basin import DENSITY, changed, depth_of, snowtally
from scipy.optimize import brentq
from scipy.stats import norm

NIGHTS = {"flight": "2031-03-02", "blended": "2031-03-08"}
VALUES = ["area_km2", "snow_area_km2", "volume_m3", "swe_mean_mm", "depth_mean_m", "density_mean_kg_m3"]


@pytest.fixture(scope="module", params=NIGHTS)
def published(request, basin):
    """Return the kind of night, its grids, its totals and the covariance of its zone-bands' volumes."""
    date = NIGHTS[request.param]
    done = snowtally("update", changed(basin, "headline", str), "--date", date)
    assert done.returncode == 0, done.stderr
    folder = basin / "archive_headline" / "made" / date / "r001"
    totals = pd.read_csv(folder / "totals.csv", dtype={"zone_id": "str"}, keep_default_na=False, na_values=[""])
    with xr.open_dataset(folder / "estimate.nc", engine="netcdf4") as grids:
        whole = grids.squeeze().load()
    return request.param, whole, totals, pd.read_parquet(folder / "totals_covariance.parquet")


def of_row(grids, row):
    """Return which cells a row of totals holds."""
    zones = dict(zip(json.loads(grids["zone"].attrs["zone_ids"]), grids["zone"].attrs["flag_values"], strict=True))
    cells = np.isfinite(grids["cell_area"])
    if isinstance(row.zone_id, str):
        cells &= grids["zone"] == zones[row.zone_id]
    if not math.isnan(row.band_low_m):
        # A cell belongs to the band of its mean elevation, lower edge inclusive.
        cells &= (grids["elevation"] >= row.band_low_m) & (grids["elevation"] < row.band_high_m)
    return cells.to_numpy()


def at_quantile(mean, se, probability):
    """Return the quantile of snow that is never negative: normal, cut at 0, with this mean and standard deviation."""
    if se == 0:
        return mean

    def moments(latent):
        v = np.linspace(0, max(latent, 0) + 10, 20_001)
        density = norm.pdf(v - latent)
        first, second = np.trapezoid(v * density, v), np.trapezoid(v * v * density, v)
        return first, math.sqrt(second - first**2)

    latent = brentq(lambda a: np.divide(*moments(a)) - mean / se, -5, mean / se + 2)
    return max(latent + norm.ppf(probability), 0.0) * se / moments(latent)[1]


def test_areas_volumes_depths_and_densities_of_every_row(published):
    _, grids, totals, _ = published
    area = grids["cell_area"].to_numpy()
    for row in totals.itertuples():
        cells = of_row(grids, row)
        whole, volume = area[cells].sum(), (grids["swe"].to_numpy() * area)[cells].sum() / 1000
        snow = (grids["depth"].to_numpy() * area)[cells].sum()
        told = [getattr(row, name) for name in VALUES]
        dense = 1000 * volume / snow if volume >= 1 else math.nan
        again = [whole / 1e6, (grids["snow_cover"].to_numpy() * area)[cells].sum() / 1e6, volume, 1000 * volume / whole]
        # Grids are stored to 0.1 mm, 1 mm and 0.01 of cover: over many cells that averages out.
        assert told == pytest.approx([*again, snow / whole, dense], rel=2e-3, abs=2e-3, nan_ok=True), row


def test_errors_come_from_the_covariance_of_the_zone_bands(published):
    _, _, totals, covariance = published
    for row in totals.itertuples():
        rows = covariance
        if isinstance(row.zone_id, str):
            rows = rows[(rows["zone_id"] == row.zone_id) & (rows["zone_id_2"] == row.zone_id)]
        if not math.isnan(row.band_low_m):
            rows = rows[(rows["band_low_m"] == row.band_low_m) & (rows["band_low_m_2"] == row.band_low_m)]
        se = math.sqrt(max(rows["covariance_m6"].sum(), 0.0))
        assert row.volume_se_m3 == pytest.approx(se, rel=1e-6, abs=1.0)
        assert row.swe_se_mm == pytest.approx(se / row.area_km2 / 1000, rel=1e-3, abs=0.06)


def test_limits_hold_one_tenth_on_either_side(published):
    _, _, totals, _ = published
    for row in totals.itertuples():
        told = row.volume_p10_m3, row.volume_p90_m3
        again = [at_quantile(row.volume_m3, row.volume_se_m3, p) for p in (0.1, 0.9)]
        assert told == pytest.approx(again, abs=2e-3 * row.volume_se_m3 + 1.5)


def test_cells_limits_hold_one_tenth_on_either_side(published):
    _, grids, _, _ = published
    known = np.flatnonzero(np.isfinite(grids["swe"].to_numpy().ravel()))
    for cell in known[:: len(known) // 60]:
        mean, se, low, high = (grids[name].to_numpy().ravel()[cell] for name in ("swe", "swe_se", "swe_p10", "swe_p90"))
        again = [at_quantile(float(mean), float(se), p) for p in (0.1, 0.9)]
        # Rounded to 0.1 mm, mean and error as well.
        assert (low, high) == pytest.approx(again, abs=0.3)


def test_no_sum_is_surer_than_independent_cells_nor_less_sure_than_all_alike(published):
    _, grids, totals, _ = published
    area, se = grids["cell_area"].to_numpy() / 1000, grids["swe_se"].to_numpy()
    for row in totals.itertuples():
        each = (area * se)[of_row(grids, row)]
        assert math.sqrt((each**2).sum()) * 0.99 - 1 <= row.volume_se_m3 <= each.sum() * 1.01 + 1


def test_cells_measured_that_day_say_so_and_have_the_lasers_depth(published):
    kind, grids, _, _ = published
    flags = dict(zip(grids["source"].attrs["flag_meanings"].split(), grids["source"].attrs["flag_values"], strict=True))
    measured = grids["source"].to_numpy() == flags["flight"]
    assert measured.any() == (kind == "flight")
    if kind == "flight":
        flown = depth_of(grids["elevation"].to_numpy())
        # A cell's mean of a depth that is not linear in elevation, and 1 mm of rounding.
        assert grids["depth"].to_numpy()[measured] == pytest.approx(flown[measured], abs=0.02)


def test_the_volume_is_the_one_that_was_made(published):
    kind, grids, totals, _ = published
    elevation, area = grids["elevation"].to_numpy(), grids["cell_area"].to_numpy()
    made = np.nansum(depth_of(elevation) * DENSITY / 1000 * area)
    basin = totals.iloc[0]
    # The stations' SWE rises by 4 mm a day from the first of March on.
    days = {"flight": 1, "blended": 7}[kind]
    more = 0.004 * days * np.nansum(np.where(elevation > 1500, area, 0))
    assert basin.volume_m3 == pytest.approx(made + more, rel=0.05)
