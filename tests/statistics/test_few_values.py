"""Median and quantile of few values against numpy's own."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from snowtally.statistics.few_values import median, quantile, row_medians

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=12)


@given(NUMBERS, st.floats(0.0, 1.0))
def test_median_and_quantile_are_those_of_numpy(values, share):
    values = np.array(values)
    assert median(values) == pytest.approx(np.median(values), rel=1e-12, abs=1e-9)
    assert quantile(values, share) == pytest.approx(np.quantile(values, share), rel=1e-12, abs=1e-9)


@given(st.lists(NUMBERS, min_size=1, max_size=5))
def test_a_row_has_the_median_of_what_is_known_of_it(rows):
    table = np.full((len(rows), 12), np.nan)
    for row, values in zip(table, rows, strict=True):
        row[-len(values) :] = values
    assert row_medians(table).tolist() == pytest.approx([np.median(values) for values in rows], rel=1e-12, abs=1e-9)
