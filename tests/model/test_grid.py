"""The basin grid's coordinates: the same digits by whichever way a grid came to be."""

import numpy as np
import pytest
from pyproj import CRS

from snowtally.model.grid import BasinGrid

UTM = CRS("EPSG:32625")


@pytest.mark.parametrize("cell_m", [100.0, 30.48, 333.3333, 1000 / 3])
def test_a_grid_made_again_from_its_centres_or_cut_out_has_the_same_coordinates(cell_m):
    grid = BasinGrid.covering((499_000.3, 4_876_000.2, 506_000.0, 4_881_000.7), cell_m, UTM)
    left, top = float(grid.x[0]) - cell_m / 2, float(grid.y[0]) + cell_m / 2
    assert BasinGrid(UTM, cell_m, left, top, grid.width, grid.height) == grid
    wanted = np.zeros(grid.shape, bool)
    wanted[3:9, 4:11] = True
    part, (rows, columns) = grid.window(wanted)
    assert np.array_equal(part.x, grid.x[columns])
    assert np.array_equal(part.y, grid.y[rows])


def test_a_grid_whose_edges_are_no_multiples_keeps_them():
    grid = BasinGrid(UTM, 20.0, 500_007.0, 4_880_003.0, 3, 2)
    assert grid.x.tolist() == [500_017.0, 500_037.0, 500_057.0]
    assert grid.y.tolist() == [4_879_993.0, 4_879_973.0]
