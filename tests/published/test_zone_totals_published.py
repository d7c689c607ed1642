"""Zone totals and their errors against block kriging by R gstat over all cells of a zone (meuse.grid of R sp).

This is the main job in small: three flood zones stand for elevation bands. Taken cell by cell the errors would be a fifth of the right
ones (0.0077 0.0145 0.0119 0.0141); taken as one common error, eight times too large (0.43 0.40 0.43 0.44).
"""

from types import SimpleNamespace

import numpy as np
import pytest
from r_data import meuse, meuse_grid

from snowtally.statistics.errors import KrigedPart, volume_covariance
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.variogram import Variogram

CELL_M = 40.0


@pytest.fixture(scope="module")
def world():
    cells, points = meuse_grid(), meuse()
    x = np.arange(cells["x"].min(), cells["x"].max() + 1, CELL_M)
    y = np.arange(cells["y"].max(), cells["y"].min() - 1, -CELL_M)
    row = np.searchsorted(-y, -cells["y"].to_numpy())
    column = np.searchsorted(x, cells["x"].to_numpy())
    zone, dist = np.full((len(y), len(x)), -1), np.zeros((len(y), len(x)))
    zone[row, column] = cells["ffreq"].astype(int).to_numpy() - 1
    dist[row, column] = cells["dist"].to_numpy()
    return SimpleNamespace(
        x=x, y=y, zone=zone, drift=np.sqrt(dist)[..., None], xy=points[["x", "y"]].to_numpy(float),
        values=np.log(points["zinc"].to_numpy(float)), site_drift=np.sqrt(points["dist"].to_numpy(float))[:, None],
    )  # fmt: skip


def means_and_errors(world, variogram, *, drift):
    """Return mean and standard error of the whole area and of the three zones."""
    model = Kriging(variogram).fit(world.xy, world.values, drift=world.site_drift if drift else None)
    xy = np.stack(np.meshgrid(world.x, world.y), axis=-1).reshape(-1, 2)
    mean = model.predict(xy, world.drift.reshape(-1, 1) if drift else None)[0].reshape(world.zone.shape)
    area = np.full(world.zone.shape, CELL_M**2)
    # 1000 mm per unit: the volume in m3 is then the unit times the area in m2.
    part = KrigedPart("zinc", np.full(area.shape, 1000.0), model, world.x, world.y, world.drift if drift else None)
    covariance = volume_covariance([part], area, world.zone, 3, CELL_M).total
    inside = [world.zone >= 0, *(world.zone == z for z in range(3))]
    sizes = np.array([area[cells].sum() for cells in inside])
    errors = np.sqrt([covariance.sum(), *np.diag(covariance)]) / sizes
    return np.array([mean[cells].mean() for cells in inside]), errors, sizes


def test_zone_means_and_errors_by_ordinary_kriging(world):
    mean, error, area = means_and_errors(world, Variogram("spherical", 0.0506624, 0.5906078, 897.0209), drift=False)
    assert area / 1e6 == pytest.approx([4.9648, 1.2464, 2.136, 1.5824], rel=1e-12)  # KRG-13
    assert mean == pytest.approx([5.707229, 6.260668, 5.665163, 5.328087], abs=1e-5)  # KRG-14
    assert error == pytest.approx([0.0417708, 0.0502122, 0.0553216, 0.066014], abs=1e-5)  # KRG-15


def test_zone_means_and_errors_with_drift(world):
    mean, error, _ = means_and_errors(world, Variogram("exponential", 0.0571223, 0.1764156, 340.3201), drift=True)
    assert mean == pytest.approx([5.701561, 6.294473, 5.672298, 5.274048], abs=1e-5)  # KRG-16
    assert error == pytest.approx([0.0323986, 0.0394741, 0.0417507, 0.0500689], abs=1e-5)  # KRG-17
