"""Where to measure next: every figure against the plain linear algebra of a small map, and laws that must hold."""

import numpy as np
import pandas as pd
import pytest

from snowtally.planning.survey import MapError, best_sites, best_strips, strips_over, variance_of_sum
from snowtally.statistics.errors import ErrorPart, KrigedPart
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.variogram import Variogram

CELL_M = 400.0
X = 500_050.0 + CELL_M * np.arange(14)
Y = 4_880_000.0 - CELL_M * np.arange(9)
SHAPE = (len(Y), len(X))
XY = np.stack(np.meshgrid(X, Y), axis=-1).reshape(-1, 2)


def field(seed):
    return np.random.default_rng(seed).uniform(5.0, 40.0, SHAPE)


def kriged():
    at = XY[[3, 40, 77, 100]]
    drift = (at[:, 1:] - Y.mean()) / 500.0
    model = Kriging(Variogram("exponential", 0.0, 0.09, 1600.0)).fit(
        at, np.array([0.1, -0.2, 0.3, 0.0]), np.full(4, 0.01), drift
    )
    return KrigedPart("site residual", field(5), model, X, Y, ((XY[:, 1:] - Y.mean()) / 500.0).reshape(*SHAPE, 1))


PARTS = [
    ErrorPart("carry common", field(1), np.inf),
    ErrorPart("carry local", field(2), 1200.0),
    ErrorPart("flight random", field(3), 0.0),
    kriged(),
]


def matrix(part):
    """Return the covariance of all cells, (cells, cells), by the definition of each part."""
    if isinstance(part, KrigedPart):
        return np.outer(part.scale_mm, part.scale_mm) * part.kriging.covariance(XY, part.drift.reshape(-1, 1))
    apart = np.hypot(*(XY[:, None] - XY[None]).transpose(2, 0, 1))
    with np.errstate(divide="ignore"):
        alike = np.eye(len(XY)) if part.correlation_m == 0 else np.exp(-apart / part.correlation_m)
    return np.outer(part.error_mm, part.error_mm) * alike


WHOLE = sum(matrix(part) for part in PARTS)
WEIGHT = np.random.default_rng(9).uniform(0.0, 10.0, SHAPE)
ERROR = MapError(PARTS, X, Y)


def test_covariances_with_sums_and_cells_are_those_of_the_whole_matrix():
    np.testing.assert_allclose(ERROR.with_sum(WEIGHT).ravel(), WHOLE @ WEIGHT.ravel(), rtol=1e-9)
    np.testing.assert_allclose(ERROR.with_cell(4, 6).ravel(), WHOLE[4 * SHAPE[1] + 6], rtol=1e-9)
    np.testing.assert_allclose(ERROR.variance().ravel(), np.diag(WHOLE), rtol=1e-9)
    assert variance_of_sum(ERROR, WEIGHT) == pytest.approx(WEIGHT.ravel() @ WHOLE @ WEIGHT.ravel(), rel=1e-9)


def test_the_cut_in_sequence_is_that_of_all_measurements_together():
    noise = np.full(SHAPE, 12.0)
    places, alone = best_sites(ERROR, WEIGHT, noise, np.ones(SHAPE, bool), 2)
    cells = (places["row"] * SHAPE[1] + places["column"]).to_numpy(int)
    told = (WHOLE @ WEIGHT.ravel())[cells]
    together = told @ np.linalg.solve(WHOLE[np.ix_(cells, cells)] + 144.0 * np.eye(2), told)
    whole = WEIGHT.ravel() @ WHOLE @ WEIGHT.ravel()
    assert places["together"].iloc[-1] == pytest.approx(together / whole, rel=1e-9)
    assert places["alone"].iloc[0] == pytest.approx(np.nanmax(alone))
    each = (WHOLE @ WEIGHT.ravel()) ** 2 / (np.diag(WHOLE) + 144.0) / whole
    np.testing.assert_allclose(alone.ravel(), each, rtol=1e-9)


def test_the_first_choice_is_the_best_and_a_second_at_the_same_place_is_never_made():
    allowed = np.zeros(SHAPE, bool)
    allowed[2, 3] = allowed[2, 4] = allowed[8, 13] = True
    places, alone = best_sites(ERROR, WEIGHT, np.full(SHAPE, 5.0), allowed, 5)
    # 2,3 and 2,4 are neighbours: one place to walk to.
    assert len(places) == 2
    assert np.isnan(alone[0, 0])
    assert places["together"].is_monotonic_increasing


def test_an_error_that_all_sites_share_is_not_cut_by_one_more():
    shared = [ErrorPart("site offset", np.full(SHAPE, 20.0), np.inf)]
    places, _ = best_sites(MapError(shared, X, Y), WEIGHT, np.full(SHAPE, 1.0), np.ones(SHAPE, bool), 1)
    assert places.empty
    same = [ErrorPart("carry common", np.full(SHAPE, 20.0), np.inf)]
    places, _ = best_sites(MapError(same, X, Y), WEIGHT, np.full(SHAPE, 1.0), np.ones(SHAPE, bool), 1)
    assert places["together"].iloc[0] == pytest.approx(400 / 401)


def test_a_map_without_error_has_nothing_to_gain():
    sure = [ErrorPart("carry local", np.zeros(SHAPE), 300.0)]
    places, alone = best_sites(MapError(sure, X, Y), WEIGHT, np.full(SHAPE, 5.0), np.ones(SHAPE, bool), 3)
    assert places.empty
    assert (alone == 0).all()


def test_strips_cover_the_basin_once_each_way_and_their_gain_is_that_of_the_matrix():
    inside = np.ones(SHAPE, bool)
    inside[0, :3] = False
    strips = strips_over(inside, X, Y, 1200.0)
    along = [members for members, name in zip(strips.members, strips.names, strict=True) if name.startswith("east")]
    assert sorted(np.concatenate(along)) == list(range(strips.square.max() + 1))
    assert (strips.square[~inside] == -1).all()
    area = np.where(inside, CELL_M**2, 0.0)
    # Without error of its own a flight tells each square's sum exactly.
    parts = [part for part in PARTS if part.name == "carry common"]
    chosen, everything = best_strips(
        parts, [ErrorPart("flight bias", np.full(SHAPE, 1e-3), np.inf)], (area, inside), strips, 2
    )
    assert everything == pytest.approx(1.0, abs=1e-4)
    assert len(chosen) == 2
    # A flight as unsure as the map, with the same pattern of error, halves the variance.
    flight = [ErrorPart("flight bias", parts[0].error_mm, np.inf)]
    _, everything = best_strips(parts, flight, (area, inside), strips, 1)
    assert everything == pytest.approx(0.5, abs=1e-6)
    # Density is as well known as before.
    density = [ErrorPart("density common", field(1), np.inf)]
    _, everything = best_strips(density, flight, (area, inside), strips, 1)
    assert everything == pytest.approx(0.0, abs=1e-9)


def test_a_large_basin_is_planned_in_wider_strips():
    inside = np.ones((60, 60), bool)
    strips = strips_over(inside, 100.0 * np.arange(60), 100.0 * np.arange(60)[::-1], 100.0)
    assert strips.square.max() < 400
    assert strips.width_m > 100.0
    assert pd.Series(strips.names).is_unique
