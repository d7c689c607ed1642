"""Errors of totals: laws of the covariance of volumes, with the sum over all cells as reference."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from snowtally.statistics.errors import (
    ErrorPart,
    KrigedPart,
    _semidefinite,
    few_fields,
    product_variance,
    volume_covariance,
)
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.variogram import Variogram

ROWS, COLUMNS, CELL_M = 24, 30, 100.0
X, Y = (np.arange(COLUMNS) + 0.5) * CELL_M + 5e5, 4.8e6 - (np.arange(ROWS) + 0.5) * CELL_M
AREA = np.where(np.arange(COLUMNS) % 7 == 0, 6000.0, 1e4) * np.ones((ROWS, 1))


def groups(seed, n=6):
    """Return blocky groups with holes."""
    rng = np.random.default_rng(seed)
    coarse = rng.integers(-1, n, (ROWS // 4, COLUMNS // 3))
    return np.kron(coarse, np.ones((4, 3), int))


def se_field(seed):
    return np.random.default_rng(seed).uniform(5, 60, (ROWS, COLUMNS))


def fitted(seed, drift=None, mean=None, sites=30):
    rng = np.random.default_rng(seed)
    row, column = rng.integers(0, ROWS, sites), rng.integers(0, COLUMNS, sites)
    xy = np.column_stack([X[column], Y[row]])
    values = rng.normal(size=sites)
    columns = None if drift is None else drift[row, column]
    return Kriging(Variogram("exponential", 0.01, 0.09, 700.0), mean).fit(
        xy, values, rng.uniform(0, 0.02, sites), columns
    )


parts_of = st.lists(st.sampled_from([0.0, 30.0, 400.0, 2500.0, np.inf]), min_size=1, max_size=4)


def made_parts(seed, lengths):
    parts = [ErrorPart(f"part {i}", se_field(seed + i), length) for i, length in enumerate(lengths)]
    return [*parts, KrigedPart("kriged", se_field(seed + 9), fitted(seed), X, Y)]


@given(st.integers(0, 1000), parts_of)
@settings(max_examples=25, deadline=None)
def test_symmetric_and_positive_semidefinite(seed, lengths):
    found = volume_covariance(made_parts(seed, lengths), AREA, groups(seed), 6, CELL_M)
    for matrix in (found.total, *found.by_part.values()):
        assert np.array_equal(matrix, matrix.T)
        values = np.linalg.eigvalsh(matrix)
        assert values[0] >= -1e-9 * max(values[-1], 1e-300)
    assert sum(found.by_part.values()) == pytest.approx(found.total)
    assert sum(found.budget().values()) == pytest.approx(1.0)
    assert list(found.budget().values()) == sorted(found.budget().values(), reverse=True)
    some = slice(2, 5)
    of_some = found.budget(some)
    variance = found.total[some, some].sum()
    for name, share in of_some.items():
        assert share * variance == pytest.approx(found.by_part[name][some, some].sum())


@pytest.mark.parametrize("length", [0.0, 400.0, np.inf])
def test_the_covariance_is_the_sum_over_all_pairs_of_cells(length):
    """Brute force: w_i w_j r(distance) of every pair of cells, in plain matrices."""
    se, group = se_field(7), groups(8)
    xy = np.stack(np.meshgrid(X, Y), axis=-1).reshape(-1, 2)
    apart = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = np.where(apart == 0, 1.0, np.exp(-apart / length))
    share = np.where(group.ravel()[:, None] == np.arange(6), (AREA * se).ravel()[:, None] / 1000, 0.0)
    found = volume_covariance([ErrorPart("", se, length)], AREA, group, 6, CELL_M).total
    # Finite lengths leave out a correlation of some 1e-7 beyond the reach; a block is one cell here.
    assert found == pytest.approx(share.T @ correlation @ share, rel=1e-12 if length in (0, np.inf) else 1e-5)


@given(st.integers(0, 1000), parts_of)
@settings(max_examples=25, deadline=None)
def test_merged_groups_have_the_summed_covariance(seed, lengths):
    parts, group = made_parts(seed, lengths), groups(seed)
    apart = volume_covariance(parts, AREA, group, 6, CELL_M).total
    merged = volume_covariance(parts, AREA, np.where(group >= 0, group // 2, -1), 3, CELL_M).total
    fold = np.kron(np.eye(3), np.ones((1, 2)))
    assert merged == pytest.approx(fold @ apart @ fold.T, rel=1e-9)


@given(st.integers(0, 1000), parts_of)
@settings(max_examples=20, deadline=None)
def test_doubling_the_errors_doubles_the_standard_errors(seed, lengths):
    parts, group = made_parts(seed, lengths), groups(seed)
    doubled = [
        KrigedPart(p.name, 2 * p.scale_mm, p.kriging, p.x, p.y)
        if isinstance(p, KrigedPart)
        else ErrorPart(p.name, 2 * p.error_mm, p.correlation_m)
        for p in parts
    ]
    once = volume_covariance(parts, AREA, group, 6, CELL_M).total
    assert volume_covariance(doubled, AREA, group, 6, CELL_M).total == pytest.approx(4 * once, rel=1e-9)


@given(st.integers(0, 1000), st.sampled_from([100.0, 700.0, 5000.0]))
@settings(max_examples=15, deadline=None)
def test_a_part_lies_between_independent_and_common(seed, length):
    group, se = groups(seed), se_field(seed)
    errors = [
        np.sqrt(np.diag(volume_covariance([ErrorPart("", se, reach)], AREA, group, 6, CELL_M).total))
        for reach in (0.0, length, np.inf)
    ]
    assert (errors[0] <= errors[1] * (1 + 1e-9)).all()
    assert (errors[1] <= errors[2] * (1 + 1e-9)).all()


@given(st.integers(0, 1000))
@settings(max_examples=15, deadline=None)
def test_groups_and_grid_turned_over_change_nothing(seed):
    group, se = groups(seed), se_field(seed)
    found = volume_covariance([ErrorPart("", se, 500.0)], AREA, group, 6, CELL_M).total
    flipped = volume_covariance(
        [ErrorPart("", se[::-1, ::-1], 500.0)], AREA[::-1, ::-1], group[::-1, ::-1], 6, CELL_M
    ).total
    turned = volume_covariance([ErrorPart("", se.T, 500.0)], AREA.T, group.T, 6, CELL_M).total
    assert flipped == pytest.approx(found, rel=1e-10)
    assert turned == pytest.approx(found, rel=1e-10)


@pytest.mark.parametrize("with_drift", [False, True])
@pytest.mark.parametrize("mean", [None, 0.0])
def test_a_kriged_part_is_the_posterior_of_all_cells(with_drift, mean):
    """Brute force: the posterior covariance of every pair of cells, summed."""
    drift = np.stack(np.meshgrid(X - X[0], Y[0] - Y), axis=-1) ** 1.5 if with_drift else None
    model, scale, group = fitted(3, drift, mean), se_field(4), groups(5)
    part = KrigedPart("kriged", scale, model, X, Y, drift)
    found = volume_covariance([part], AREA, group, 6, CELL_M).total
    xy = np.stack(np.meshgrid(X, Y), axis=-1).reshape(-1, 2)
    cells = model.covariance(xy, None if drift is None else drift.reshape(-1, 2))
    share = np.where(group.ravel()[:, None] == np.arange(6), (AREA * scale).ravel()[:, None] / 1000, 0.0)
    # The transform leaves out a prior correlation of 1e-7 beyond the reach, the posterior is some per cent of the prior.
    assert found == pytest.approx(share.T @ cells @ share, rel=1e-5, abs=1e-6 * np.abs(found).max())


def test_a_kriged_part_on_blocks_is_near_the_one_on_cells():
    """Sites every 400 m on 200 x 260 cells with blocks of 3 x 3: the posterior is a few per cent of the prior."""
    rng = np.random.default_rng(2)
    x, y = np.arange(260) * CELL_M + 50, 20_000 - np.arange(200) * CELL_M - 50
    xy = np.stack(np.meshgrid(x[::16], y[::16]), axis=-1).reshape(-1, 2) + rng.uniform(-300, 300, (13 * 17, 2))
    row, column = np.mgrid[:200, :260]
    group = np.digitize(np.sin(row / 31) + np.cos(column / 23), [-0.8, 0.0, 0.8])
    values = []
    for model in ("exponential", "spherical"):
        kriging = Kriging(Variogram(model, 0.0, 1.0, 2500.0 if model == "exponential" else 7500.0)).fit(
            xy, rng.normal(size=221)
        )
        part = KrigedPart("kriged", np.full(group.shape, 100.0), kriging, x, y)
        found = volume_covariance([part], np.full(group.shape, 1e4), group, 4, CELL_M).total
        prior = volume_covariance(
            [KrigedPart("prior", part.scale_mm, Kriging(kriging.variogram, 0.0).fit(xy[:0], []), x, y)],
            np.full(group.shape, 1e4), group, 4, CELL_M,
        ).total  # fmt: skip
        values.append((found, prior, part, group))
    for found, prior, part, group in values:
        exact = _by_whole_cells(part, group)
        assert found.sum() < 0.05 * prior.sum()
        assert np.sqrt(np.diag(found) / np.diag(exact)) == pytest.approx(1.0, abs=0.02)
        assert np.sqrt(found.sum() / exact.sum()) == pytest.approx(1.0, abs=0.02)


def _by_whole_cells(part, group):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("snowtally.statistics.errors.block_cells", lambda *_: 1)
        return volume_covariance([part], np.full(group.shape, 1e4), group, 4, CELL_M).total


def test_halving_the_cells_does_not_shrink_an_error():
    """The same error field on cells of 100 and 50 m: neither common nor correlated errors average out."""
    group, se = groups(1), se_field(1)
    fine = np.kron(group, np.ones((2, 2), int)), np.kron(se, np.ones((2, 2)))
    for length in (np.inf, 1500.0):
        coarse = volume_covariance([ErrorPart("", se, length)], np.full(se.shape, 1e4), group, 6, 100.0).total
        halved = volume_covariance(
            [ErrorPart("", fine[1], length)], np.full(fine[1].shape, 2.5e3), fine[0], 6, 50.0
        ).total
        assert halved == pytest.approx(coarse, rel=0.02)


def test_missing_errors_outside_matter_not_but_inside_are_refused():
    group, se = groups(1), se_field(1)
    outside = np.where(group < 0, np.nan, se)
    found = volume_covariance([ErrorPart("bias", outside, 500.0)], np.where(group < 0, np.nan, AREA), group, 6, CELL_M)
    assert np.isfinite(found.total).all()
    outside[np.nonzero(group >= 0)[0][0], np.nonzero(group >= 0)[1][0]] = np.nan
    with pytest.raises(ValueError, match="'bias' is missing in cells of a zone or band"):
        volume_covariance([ErrorPart("bias", outside, 500.0)], AREA, group, 6, CELL_M)


def test_no_part_and_no_cell():
    empty = volume_covariance([], AREA, groups(1), 6, CELL_M)
    assert not empty.total.any()
    assert empty.budget() == {}
    nowhere = volume_covariance(made_parts(1, [0.0, 300.0, np.inf]), AREA, np.full((ROWS, COLUMNS), -1), 3, CELL_M)
    assert not nowhere.total.any()


@pytest.mark.parametrize(
    ("covariance", "nearest"),
    [
        ([[1.0, 2.0], [2.0, 1.0]], [[1.5, 1.5], [1.5, 1.5]]),  # eigenvalues 3 and -1, by hand
        ([[-1e-9]], [[0.0]]),
        ([[4.0, 1.1], [0.9, 2.0]], [[4.0, 1.0], [1.0, 2.0]]),
        (np.zeros((0, 0)), np.zeros((0, 0))),
    ],
)
def test_a_negative_variance_of_rounding_is_taken_out(covariance, nearest):
    found = _semidefinite(np.array(covariance))
    assert found.shape == np.shape(nearest)
    assert found == pytest.approx(np.array(nearest), abs=1e-12)


def test_product_of_independent_quantities_by_simulation():
    rng = np.random.default_rng(3)
    product = rng.normal(1.5, 0.4, 400_000) * rng.normal(320, 60, 400_000)
    assert np.var(product) == pytest.approx(product_variance(1.5, 0.4, 320.0, 60.0), rel=0.01)


def test_few_fields_stand_for_many():
    """Each cell errs as before; what errs against each other still does; no sum of all is claimed more surely."""
    rng = np.random.default_rng(3)
    height = np.linspace(-1.0, 1.0, 50)
    fields = [10.0 + 0 * height, 20.0 * height, *(0.5 * rng.normal(size=(6, 50)))]
    found = few_fields(fields)
    assert len(found) == 4
    before, after = (np.stack(one).T @ np.stack(one) for one in (fields, found))
    assert np.diag(after) == pytest.approx(np.diag(before))
    assert after[0, -1] == pytest.approx(before[0, -1], rel=0.05)
    assert before[0, -1] < 0
    assert before.sum() * (1 - 1e-9) <= after.sum() < 1.1 * before.sum()


def test_few_fields_keep_an_unknown_error_unknown():
    gap = np.array([3.0, np.nan, 1.0])
    for fields in ([gap], [gap, np.array([1.0, 2.0, 2.0])], [gap, *np.ones((6, 3))]):
        assert np.isnan(np.stack(few_fields(fields))).any(axis=0).tolist() == [False, True, False]
