"""Totals of a day: every figure of every row recomputed cell by cell, in plain loops and by solving for the quantile."""

import datetime as dt
import math

import numpy as np
import pytest
import xarray as xr
from scipy.optimize import brentq
from scipy.stats import norm

from snowtally.archive.columns import COLUMNS
from snowtally.statistics.totals import ZoneBands, covariance_rows, totals_rows

DATE = dt.date(2031, 3, 1)
UNITS = ZoneBands("made", ["west", "east"], [(1400.0, 1600.0), (1600.0, 1800.0), (1800.0, 2100.0)])
BANDS = len(UNITS.bands)


def a_day(seed=3, shape=(9, 7)):
    """Return fields in which no two cells are alike; zone and band are 0 in places, one zone-band has no cell."""
    rng = np.random.default_rng(seed)
    zone, band = rng.integers(0, 3, shape), rng.integers(0, 4, shape)
    zone[(zone == 2) & (band == 3)] = 1
    swe = np.where(rng.random(shape) < 0.2, 0.0, rng.uniform(5, 900, shape))
    values = {
        "swe": swe,
        "depth": swe / rng.uniform(150, 480, shape),
        "snow_cover": np.where(swe > 0, rng.uniform(0.1, 1, shape), 0.0),
        "cell_area": rng.uniform(2000, 9900, shape),
        "zone": zone,
        "elevation_band": band,
    }
    return xr.Dataset({name: (("y", "x"), field) for name, field in values.items()})


def a_covariance(seed=4, scale_m3=300.0):
    root = np.random.default_rng(seed).normal(size=(UNITS.count, UNITS.count)) * scale_m3
    return root @ root.T


def quantile_of_snow(mean, se, probability):
    """Return the quantile of max(X, 0), X normal, where max(X, 0) has this mean and standard deviation: by integration and roots."""
    if se == 0:
        return mean

    def moments(latent):
        v = np.linspace(0, max(latent, 0) + 10, 20_001)
        density = norm.pdf(v - latent)
        first, second = np.trapezoid(v * density, v), np.trapezoid(v * v * density, v)
        return first, math.sqrt(second - first**2)

    latent = brentq(lambda a: moments(a)[0] / moments(a)[1] - mean / se, -5, mean / se + 2)
    return max(latent + norm.ppf(probability), 0.0) * se / moments(latent)[1]


def cells_of(fields, row):
    """Yield each cell of a row of totals as a dictionary of its values."""
    for y in range(fields.sizes["y"]):
        for x in range(fields.sizes["x"]):
            cell = {name: fields[name].item(y, x) for name in fields}
            if cell["zone"] == 0 or cell["elevation_band"] == 0:
                continue
            low, high = UNITS.bands[int(cell["elevation_band"]) - 1]
            if row.zone_id not in ("", UNITS.zones[int(cell["zone"]) - 1]):
                continue
            if not (math.isnan(row.band_low_m) or (row.band_low_m, row.band_high_m) == (low, high)):
                continue
            yield cell


def numbers_of(row):
    """Return the zone-bands that a row of totals holds."""
    for number in range(UNITS.count):
        zone, band = divmod(number, BANDS)
        if row.zone_id in ("", UNITS.zones[zone]) and (
            math.isnan(row.band_low_m) or row.band_low_m == UNITS.bands[band][0]
        ):
            yield number


def test_every_figure_of_every_row_cell_by_cell():
    fields, covariance = a_day(), a_covariance()
    rows = totals_rows(fields, UNITS, covariance, DATE)
    assert tuple(rows.columns) == tuple(column.name for column in COLUMNS["totals"])
    assert rows["level"].tolist() == ["basin", "zone", "zone", "band", "band", "band", *["zone_band"] * 5]
    assert set(rows["basin_id"]) == {"made"}
    assert set(rows["date"]) == {DATE}
    held = {
        (int(cell["zone"]) - 1) * BANDS + int(cell["elevation_band"]) - 1
        for row in rows.iloc[:1].itertuples()
        for cell in cells_of(fields, row)
    }
    for row in rows.itertuples():
        cells = list(cells_of(fields, row))
        area = sum(cell["cell_area"] for cell in cells)
        volume = sum(cell["swe"] / 1000 * cell["cell_area"] for cell in cells)
        snow = sum(cell["depth"] * cell["cell_area"] for cell in cells)
        numbers = [number for number in numbers_of(row) if number in held]
        se = math.sqrt(sum(covariance[a, b] for a in numbers for b in numbers))
        assert row.area_km2 == pytest.approx(area / 1e6, rel=1e-12)
        assert row.snow_area_km2 == pytest.approx(sum(c["snow_cover"] * c["cell_area"] for c in cells) / 1e6, rel=1e-12)
        assert row.volume_m3 == pytest.approx(volume, rel=1e-12)
        assert row.swe_mean_mm == pytest.approx(1000 * volume / area, rel=1e-12)
        assert row.depth_mean_m == pytest.approx(snow / area, rel=1e-12)
        assert row.density_mean_kg_m3 == pytest.approx(1000 * volume / snow, rel=1e-12)
        assert row.volume_se_m3 == pytest.approx(se, rel=1e-12)
        assert row.swe_se_mm == pytest.approx(1000 * se / area, rel=1e-12)
        # The program's table of quantiles is right to a thousandth of a standard error.
        assert row.volume_p10_m3 == pytest.approx(quantile_of_snow(volume, se, 0.1), abs=2e-3 * se)
        assert row.volume_p90_m3 == pytest.approx(quantile_of_snow(volume, se, 0.9), abs=2e-3 * se)


def test_levels_add_up_to_the_last_bit():
    rows = totals_rows(a_day(), UNITS, a_covariance(), DATE)
    whole = rows.loc[rows["level"] == "basin", "volume_m3"].item()
    parts = rows.loc[rows["level"] == "zone_band", "volume_m3"]
    assert math.fsum(parts) == whole


def test_cells_of_zone_0_or_band_0_lie_outside():
    zone, band = np.array([[0, 0, 1, 2, np.nan, 1]]), np.array([[1, 0, 0, 3, 1, 1]])
    assert UNITS.numbers(zone, band).tolist() == [[-1, -1, -1, 5, -1, 0]]


def test_a_zone_holds_its_own_zone_bands():
    assert [UNITS.of_zone(name) for name in UNITS.zones] == [slice(0, 3), slice(3, 6)]
    assert UNITS.count == 6


def test_a_cell_without_a_value_leaves_its_rows_without_a_total():
    fields = a_day()
    lacking = (fields["zone"] == 1) & (fields["elevation_band"] == 2)
    assert lacking.any()
    first = tuple(index[0] for index in np.nonzero(lacking.to_numpy()))
    fields["swe"][first] = np.nan
    rows = totals_rows(fields, UNITS, a_covariance(), DATE)
    unknown = rows[rows["volume_m3"].isna()]
    assert unknown["level"].tolist() == ["basin", "zone", "band", "zone_band"]
    assert unknown["depth_mean_m"].notna().all()


def test_a_cell_without_area_may_lack_its_value():
    fields = a_day()
    fields["cell_area"][0, 0], fields["swe"][0, 0] = 0.0, np.nan
    assert totals_rows(fields, UNITS, a_covariance(), DATE)["volume_m3"].notna().all()


@pytest.mark.parametrize(("volume", "dense"), [(0.51, True), (0.49, False)])
def test_what_is_no_water_to_a_cubic_metre_has_no_density(volume, dense):
    one = {
        "swe": 1000.0 * volume,
        "depth": 4 * volume,
        "snow_cover": 1.0,
        "cell_area": 1.0,
        "zone": 1,
        "elevation_band": 1,
    }
    fields = xr.Dataset({name: (("y", "x"), np.array([[value]])) for name, value in one.items()})
    row = totals_rows(fields, UNITS, np.zeros((UNITS.count,) * 2), DATE).iloc[0]
    assert row["volume_m3"] == pytest.approx(volume)
    assert math.isnan(row["density_mean_kg_m3"]) != dense


def test_the_least_water_of_dense_snow_has_a_density():
    """0.6 m3 of water in 0.96 m3 of old snow: less than a cubic metre of snow is still snow."""
    one = {"swe": 600.0, "depth": 0.96, "snow_cover": 1.0, "cell_area": 1.0, "zone": 1, "elevation_band": 1}
    fields = xr.Dataset({name: (("y", "x"), np.array([[value]])) for name, value in one.items()})
    row = totals_rows(fields, UNITS, np.zeros((UNITS.count,) * 2), DATE).iloc[0]
    assert row["density_mean_kg_m3"] == pytest.approx(625.0)


def test_covariances_keep_their_zone_bands_names():
    fields, covariance = a_day(), a_covariance()
    rows = covariance_rows(fields, UNITS, covariance)
    assert len(rows) == 5 * 5
    for row in rows.itertuples():
        pair = [
            UNITS.zones.index(zone) * BANDS + [low for low, _ in UNITS.bands].index(edge)
            for zone, edge in ((row.zone_id, row.band_low_m), (row.zone_id_2, row.band_low_m_2))
        ]
        assert row.covariance_m6 == covariance[tuple(pair)]


def test_rounding_below_zero_gives_no_error_and_not_no_number():
    rows = totals_rows(a_day(), UNITS, np.full((UNITS.count,) * 2, -1e-9), DATE)
    assert (rows["volume_se_m3"] == 0).all()
    assert (rows["volume_p10_m3"] == rows["volume_m3"]).all()
