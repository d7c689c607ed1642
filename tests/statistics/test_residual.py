"""The sites' residual: its reach is found where sites are many, and is the default where they are few."""

import numpy as np
import pytest

from snowtally.statistics.residual import LEAST_SITES, REACH_M, SiteResidual


def drawn(seed, n, *, reach_m=9000.0, sd=0.3, own=0.1):
    rng = np.random.default_rng(seed)
    xy = rng.random((n, 2)) * 40_000
    apart = np.linalg.norm(xy[:, None] - xy, axis=2)
    field = np.linalg.cholesky(sd**2 * np.exp(-apart / reach_m) + 1e-9 * np.eye(n)) @ rng.normal(size=n)
    return xy, field + own * rng.normal(size=n), np.full(n, 0.02), field


def test_many_sites_tell_the_reach_and_what_is_their_own():
    found = [SiteResidual(0.05, 0.6).fit(*drawn(seed, 200)[:3]) for seed in range(12)]
    assert np.median([one.reach_m_ for one in found]) == pytest.approx(9000, rel=0.5)
    assert np.median([one.own_variance_ for one in found]) == pytest.approx(0.01, rel=0.8)
    short = [SiteResidual(0.05, 0.6).fit(*drawn(seed, 200, reach_m=2500.0)[:3]) for seed in range(12)]
    assert np.median([one.reach_m_ for one in short]) < 0.6 * np.median([one.reach_m_ for one in found])


def test_a_found_reach_predicts_no_worse_than_the_default():
    gain = []
    for seed in range(8):
        xy, values, noise, field = drawn(seed, 150, reach_m=15_000.0)
        held = np.arange(150) % 3 == 0
        told = SiteResidual(0.05, 0.6).fit(xy[~held], values[~held], noise[~held])
        # The same sites under the default's limits: as if they were too few to tell.
        few = SiteResidual(0.05, 0.6).fit(xy[~held][:29], values[~held][:29], noise[~held][:29])
        gain.append([np.mean((model.predict(*xy[held].T)[0] - field[held]) ** 2) for model in (told, few)])
    told, few = np.mean(gain, axis=0)
    assert told < few


def test_few_sites_take_the_default_and_never_fail():
    for n in (0, 1, 2, LEAST_SITES - 1):
        xy, values, noise, _ = drawn(3, max(n, 1))
        found = SiteResidual(0.05, 0.5).fit(xy[:n], values[:n], noise[:n])
        assert found.reach_m_ == REACH_M
        assert 0.05 <= found.sd_ <= 0.5
        mean, se = found.predict(np.array([1e4, 2e5]), np.array([1e4, 2e5]))
        assert np.isfinite(mean).all()
        assert (se <= found.sd_ * (1 + 1e-12)).all()


@pytest.mark.parametrize("n", [5, 40])
def test_sites_at_one_place_and_in_a_row_never_fail(n):
    for xy in (np.ones((n, 2)), np.column_stack([np.arange(n) * 700.0, np.zeros(n)])):
        found = SiteResidual(0.05, 0.5).fit(xy, np.linspace(-0.2, 0.3, n), np.zeros(n))
        assert np.isfinite(found.predict(np.array([0.0, 900.0]), np.array([0.0, 900.0]))).all()
        assert found.reach_m_ == REACH_M or 0 < found.reach_m_ <= np.ptp(xy, axis=0).max()


def test_one_wild_site_moves_the_map_little():
    xy, values, noise, _ = drawn(5, 60)
    wild = values.copy()
    wild[11] += 5.0
    clean, shaken = (SiteResidual(0.05, 0.6).fit(xy, one, noise) for one in (values, wild))
    places = np.random.default_rng(1).random((2, 400)) * 40_000
    assert np.abs(clean.predict(*places)[0] - shaken.predict(*places)[0]).mean() < 0.05
