"""The water within any polygon: sums and errors against sums over cells and pairs of cells, one by one."""

import json

import numpy as np
import pandas as pd
import pytest
import shapely

from snowtally import reading
from snowtally.archive import within
from snowtally.archive.within import cell_width, covered, variance_of, volume_of
from snowtally.model.problems import ArchiveError

CRS = 32625


@pytest.fixture
def day(archive):
    with reading.open_day(archive, "larkmoor", "2031-03-05") as opened:
        yield opened.load()


@pytest.fixture
def covariance(archive):
    path = reading.find_revision(archive, "larkmoor", "2031-03-05").path
    return pd.read_parquet(path / "totals_covariance.parquet")


def cells_of(day, wanted):
    """Return the outline of the cells that are wanted."""
    half = cell_width(day) / 2
    rows, columns = np.nonzero(wanted)
    x, y = day["x"].to_numpy()[columns], day["y"].to_numpy()[rows]
    return shapely.union_all(shapely.box(x - half, y - half, x + half, y + half))


def test_a_volume_is_the_sum_over_the_polygons_parts_of_cells(day, covariance):
    polygon = shapely.Point(513_900.0, 4_878_300.0).buffer(830.0)
    volume = area = 0.0
    x, y, grounds, swe = (day[name].to_numpy().astype(float) for name in ("x", "y", "cell_area", "swe"))
    for j, i in np.argwhere(grounds > 0):
        part = grounds[j, i] * polygon.intersection(shapely.box(x[i] - 50, y[j] - 50, x[i] + 50, y[j] + 50)).area / 1e4
        area += part
        volume += part * swe[j, i] / 1000
    told = volume_of(day, covariance, polygon, CRS)
    assert told.volume_m3 == pytest.approx(volume, rel=1e-9)
    assert (told.area_km2, told.swe_mean_mm) == pytest.approx((area / 1e6, 1000 * volume / area), rel=1e-9)


@pytest.mark.parametrize("level", ["basin", "zone", "band", "zone_band"])
def test_of_published_units_it_tells_the_published_volume_and_the_covariances_error(archive, day, covariance, level):
    totals = reading.revision_totals(reading.find_revision(archive, "larkmoor", "2031-03-05").path)
    zones, lows = json.loads(day.zone.attrs["zone_ids"]), day.elevation_band.attrs["band_low_m"]
    # The made-up covariance has rows of zone-bands without a cell, which the program's own never has.
    keys = totals.loc[totals["level"] == "zone_band", ["zone_id", "band_low_m"]]
    covariance = covariance.merge(keys).merge(keys.add_suffix("_2"))
    for row in totals[totals["level"] == level].itertuples():
        inside, chosen = day.cell_area > 0, np.ones(len(covariance), bool)
        if level in {"zone", "zone_band"}:
            inside &= day.zone == zones.index(row.zone_id) + 1
            chosen &= (covariance["zone_id"] == row.zone_id) & (covariance["zone_id_2"] == row.zone_id)
        if level in {"band", "zone_band"}:
            inside &= day.elevation_band == list(lows).index(row.band_low_m) + 1
            chosen &= (covariance["band_low_m"] == row.band_low_m) & (covariance["band_low_m_2"] == row.band_low_m)
        told = volume_of(day, covariance, cells_of(day, inside.to_numpy()), CRS)
        # Stored grids are rounded to 0.1 mm, volumes to 1 m3.
        assert told.volume_m3 == pytest.approx(row.volume_m3, abs=0.05e-3 * 1e6 * row.area_km2 + 1)
        assert told.volume_se_m3**2 == pytest.approx(covariance["covariance_m6"][chosen].sum(), rel=1e-9)


def by_cells(errors, cell_m, common, length):
    """Return the covariance of all cells, one by one."""
    row, column = np.indices(errors.shape).reshape(2, -1) * cell_m
    distance = np.hypot(row[:, None] - row, column[:, None] - column)
    return np.outer(errors, errors) * (common + (1 - common) * np.exp(-distance / length))


def test_an_error_is_that_of_all_pairs_of_cells_where_their_correlation_is_the_models():
    errors = np.random.default_rng(5).uniform(20, 60, (9, 12))
    numbers = np.repeat(np.arange(3), 4)[None, :] + np.zeros((9, 1), int)
    numbers[0, 0], errors[0, 0] = -1, 0.0
    lengths = np.geomspace(100 * np.hypot(9, 12), 50, 16)
    cells = by_cells(errors, 100.0, 0.3, lengths[6])
    members = np.stack([(numbers == k).ravel() for k in range(3)]).astype(float)
    covariance = members @ cells @ members.T
    for weight in (np.zeros((9, 12)), np.random.default_rng(6).uniform(0, 1, (9, 12))):
        weight[2:7, 3:7] = 1.0
        expected = weight.ravel() @ cells @ weight.ravel()
        assert variance_of(weight, errors, (numbers, covariance), 100.0) == pytest.approx(expected, rel=1e-9)
    one = np.zeros((9, 12))
    one[4, 5] = 1.0
    assert variance_of(one, errors, (numbers, covariance), 100.0) == pytest.approx(errors[4, 5] ** 2, rel=1e-9)


def test_polygons_may_be_geojson_in_degrees_and_what_holds_nothing_is_told(archive, day):
    outline = {"type": "Polygon", "coordinates": [[[-40, 40], [-30, 40], [-30, 50], [-40, 50], [-40, 40]]]}
    whole = reading.volume_within(archive, "larkmoor", "2031-03-05", {"type": "Feature", "geometry": outline})
    totals = reading.read_totals(archive, "larkmoor", "2031-03-05")
    basin = totals[totals["level"] == "basin"].iloc[0]
    assert whole.volume_m3 == pytest.approx(basin["volume_m3"], rel=1e-3)
    assert covered(day, shapely.box(0, 0, 1, 1), 4326).sum() == 0
    with pytest.raises(ArchiveError, match="holds no part of the basin"):
        reading.volume_within(archive, "larkmoor", "2031-03-05", shapely.box(0, 0, 1, 1))
    with pytest.raises(ArchiveError, match="no polygon that holds anything"):
        reading.volume_within(archive, "larkmoor", "2031-03-05", shapely.Point(0, 0))


def test_a_large_grid_is_summed_over_square_blocks(monkeypatch):
    monkeypatch.setattr(within, "_MOST_CELLS", 3)
    fields = np.arange(70.0).reshape(2, 5, 7)
    blocks, width = within._in_blocks(fields, 100.0)
    assert (blocks.shape, width) == ((2, 2, 3), 300.0)
    assert blocks[0].tolist() == [
        [fields[0, :3, :3].sum(), fields[0, :3, 3:6].sum(), fields[0, :3, 6:].sum()],
        [fields[0, 3:, :3].sum(), fields[0, 3:, 3:6].sum(), fields[0, 3:, 6:].sum()],
    ]
