"""Covariance of area sums against the sum over all pairs of cells, and against the exact transform of all cells."""

import numpy as np
import pytest
from scipy.spatial.distance import cdist

from snowtally.statistics import area_sums
from snowtally.statistics.area_sums import Blocks, block_cells, neighbours_covariance
from snowtally.statistics.variogram import Variogram

CELL_M = 100.0


def striped(rows, columns):
    """Return groups like zone-bands (contours, two zones, a hole and a rim that belong to none) and uneven weights."""
    y, x = np.mgrid[:rows, :columns]
    height = np.sin(x / 17) + np.cos(y / 11) + 0.02 * x
    group = np.digitize(height, [-0.5, 0.2, 0.9, 1.6]) + 5 * (x > 0.6 * columns)
    group[(y < 4) | ((x - 30) ** 2 + (y - 35) ** 2 < 60)] = -1
    return group, 200.0 + 50 * height + np.where((x + y) % 2, 30.0, 0.0)


def all_pairs(group, weight, correlation):
    row, column = np.nonzero(group >= 0)
    apart = cdist(np.column_stack([row, column]), np.column_stack([row, column])) * CELL_M
    share = np.eye(10)[group[row, column]] * weight[row, column][:, None]
    return share.T @ correlation.correlation(apart) @ share


def relative(found, expected):
    """Return the largest difference, each in units of the pair's own standard errors."""
    scale = np.sqrt(np.diag(expected))
    held = scale > 0
    return np.abs((found - expected)[np.ix_(held, held)] / np.outer(scale[held], scale[held])).max()


@pytest.mark.parametrize("model", ["exponential", "spherical"])
@pytest.mark.parametrize(
    "length", [40.0, *(pytest.param(one, marks=pytest.mark.long) for one in (300.0, 900.0, 3000.0)), 90_000.0]
)
def test_whole_cells_give_the_sum_over_all_pairs(model, length):
    group, weight = striped(70, 100)
    correlation = Variogram(model, 0.0, 1.0, length)
    found = Blocks.gather(weight, group, 10, 1, CELL_M).covariance(correlation)
    # Beyond the reach a correlation of 1e-7 at most is left out.
    assert relative(found, all_pairs(group, weight, correlation)) < 1e-6


@pytest.mark.parametrize("length", [2.0, 12.0, 20.0])
def test_pairs_of_neighbours_give_the_sum_over_all_pairs(length):
    """The lengths see no neighbour, four and eight of them, and those three cells away."""
    group, weight = striped(70, 100)
    correlation = Variogram("exponential", 0.0, 1.0, length)
    found = neighbours_covariance(np.where(group >= 0, weight, 0.0), group, 10, CELL_M, correlation)
    expected = all_pairs(group, weight, correlation)
    assert relative(found, expected) < 1e-6
    assert np.abs(np.diag(found) - np.diag(expected)).max() < 1e-6 * expected.max()
    through_blocks = Blocks.gather(weight, group, 10, 1, CELL_M).covariance(correlation)
    assert relative(found, through_blocks) < 1e-6


def test_tiles_leave_no_seam(monkeypatch):
    """Groups are cut to pieces of 48 blocks a side, of 64, and not at all."""
    group, weight = striped(70, 100)
    correlation = Variogram("spherical", 0.0, 1.0, 150.0)
    expected = all_pairs(group, weight, correlation)
    for side in (1, 8, 64):
        monkeypatch.setattr(area_sums, "SIDE_BLOCKS", side)
        assert relative(Blocks.gather(weight, group, 10, 1, CELL_M).covariance(correlation), expected) < 1e-10


@pytest.mark.parametrize("length", [500.0, 1000.0, 3000.0])
def test_blocks_as_taken_keep_errors_within_the_design(length):
    group, weight = striped(280, 400)
    correlation = Variogram("exponential", 0.0, 1.0, length)
    cells = block_cells(correlation, weight.shape, CELL_M)
    assert cells > 1
    found = Blocks.gather(weight, group, 10, cells, CELL_M).covariance(correlation)
    # Whole cells are held equal to the sum over all pairs above.
    expected = Blocks.gather(weight, group, 10, 1, CELL_M).covariance(correlation)
    held = np.diag(expected) > 0
    # The design asks for 2 % of each group's error; what was seen leaves room for other outlines.
    assert np.sqrt(found.sum() / expected.sum()) == pytest.approx(1.0, abs=0.005)
    assert np.sqrt(np.diag(found)[held] / np.diag(expected)[held]) == pytest.approx(1.0, abs=0.02)


def test_blocks_are_never_so_large_that_groups_lose_their_shape():
    assert block_cells(Variogram("exponential", 0.0, 1.0, 1e6), (640, 1280), CELL_M) == 20
    assert block_cells(Variogram("exponential", 0.0, 1.0, 50.0), (640, 1280), CELL_M) == 1
    assert block_cells(Variogram("spherical", 0.0, 1.0, 3000.0), (640, 1280), CELL_M) == 3


def test_sums_of_a_function_use_the_blocks_own_points():
    group, weight = striped(70, 100)
    # A plane's block mean is its value in the middle, so that whole blocks of one group are exact.
    whole = np.zeros((70, 100), int)
    found = Blocks.gather(np.ones((70, 100)), whole, 1, 5, CELL_M).sums_of(lambda xy: xy, (500.0, 9000.0))
    assert found[0] == pytest.approx([7000 * (500 + 5000), 7000 * (9000 - 3500)])
    single = Blocks.gather(weight, group, 10, 1, CELL_M).sums_of(lambda xy: xy**2, (500.0, 9000.0))
    y, x = np.mgrid[:70, :100]
    inside = group >= 0
    for column, centre in enumerate([500 + (x + 0.5) * CELL_M, 9000 - (y + 0.5) * CELL_M]):
        expected = np.bincount(group[inside], (weight * centre**2)[inside], 10)
        assert single[:, column] == pytest.approx(expected)


def test_threads_and_empty_groups_and_grids():
    group, weight = striped(70, 100)
    nothing = Blocks.gather(weight, np.full_like(group, -1), 4, 3, CELL_M)
    assert not nothing.covariance(Variogram("exponential", 0.0, 1.0, 500.0)).any()
    assert nothing.sums_of(lambda xy: xy, (0.0, 0.0)).shape[0] == 4
    one_row = Blocks.gather(np.ones((1, 30)), np.zeros((1, 30), int), 2, 1, CELL_M)
    found = one_row.covariance(Variogram("exponential", 0.0, 1.0, 500.0))
    apart = np.abs(np.subtract.outer(np.arange(30), np.arange(30))) * CELL_M
    assert found[0, 0] == pytest.approx(np.exp(-apart / 500).sum(), rel=1e-6)
    assert not found[1].any()
