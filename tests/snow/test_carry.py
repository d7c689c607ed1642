"""Gain and loss of sites on a line over elevation, and errors that are scaled."""

import numpy as np
import pytest

from snowtally.snow import carry
from snowtally.snow.cell_error import with_factor


def test_a_line_through_values_at_elevations_is_shrunk_by_what_is_known_before():
    """Ridge regression by its normal equations, solved with numpy alone (Hastie et al., Elements of Statistical Learning, 3.4)."""
    values, elevation = np.array([10.0, 30.0, 80.0]), np.array([1500.0, 2000.0, 2700.0])
    size = np.abs(values).mean() + 2.0
    rows = np.column_stack([np.ones(3), (elevation - elevation.mean()) / 1000.0])
    penalty = (0.3 * size + 3.0) ** 2 / np.array([10.0 * size, carry.SLOPE_SHARE_PER_KM * size]) ** 2
    fitted = np.linalg.solve(rows.T @ rows + np.diag(penalty), rows.T @ values)
    told = carry._line_on_elevation(values, elevation, np.array([1800.0, 2600.0]))
    heights = np.column_stack([np.ones(2), (np.array([1800.0, 2600.0]) - elevation.mean()) / 1000.0])
    assert told == pytest.approx(heights @ fitted, rel=1e-9)


def test_the_factor_on_an_error_leaves_what_all_sites_share():
    """9 + 16 of which 16 is shared, by a factor of 2: 4 x 9 + 16 = 52; where all is shared nothing is scaled."""
    assert with_factor(np.array([25.0, 16.0]), np.array([16.0, 16.0]), 2.0) == pytest.approx([np.sqrt(52.0), 4.0])
