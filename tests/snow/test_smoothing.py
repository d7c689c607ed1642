"""Laws of smoothing: what a later flight may move of an earlier day's snow, and what it may not."""

from dataclasses import replace

import numpy as np
import pytest

from snowtally.snow.smoothing import LaterFlight, ShapeErrors, covered_after, smoothed
from snowtally.statistics.errors import ErrorPart

SHAPE = (12, 15)


def made(seed, *, slope=0.8, carry_mm=25.0, laser_mm=15.0):
    """Return a day's map, its errors, a later flight, zone-bands and areas."""
    rng = np.random.default_rng(seed)
    truth = 300.0 * np.exp(0.5 * rng.standard_normal(SHAPE))
    nightly = np.maximum(truth + 80.0 * rng.standard_normal(SHAPE), 0.0)
    flown = np.maximum(slope * truth + 50.0 + np.hypot(carry_mm, laser_mm) * rng.standard_normal(SHAPE), 0.0)
    errors = ShapeErrors(np.full(SHAPE, 80.0**2), np.full(SHAPE, 30.0**2))
    later = LaterFlight(
        flown,
        slope * nightly + 50.0,
        np.full(SHAPE, slope),
        np.full(SHAPE, carry_mm**2),
        ShapeErrors(np.full(SHAPE, laser_mm**2), np.full(SHAPE, 30.0**2)),
    )
    zone_band = rng.integers(-1, 4, SHAPE)
    area = np.where(zone_band < 0, 0.0, rng.uniform(4e3, 1e4, SHAPE))
    return truth, (nightly, errors, later, zone_band, area)


def means(swe_mm, zone_band, area):
    return [np.average(swe_mm[zone_band == k], weights=area[zone_band == k]) for k in range(4)]


@pytest.mark.parametrize("level_mm", [0.0, 60.0, 500.0])
@pytest.mark.parametrize("seed", range(3))
def test_each_zone_band_keeps_its_mean_whatever_the_flights_level(seed, level_mm):
    truth, (nightly, errors, later, zone_band, area) = made(seed)
    lifted = replace(later, swe_mm=later.swe_mm + level_mm * (zone_band % 2))
    told = smoothed(nightly, errors, lifted, zone_band, area)
    assert means(told.swe_mm, zone_band, area) == pytest.approx(means(nightly, zone_band, area), rel=1e-12)
    np.testing.assert_allclose(told.swe_mm, smoothed(nightly, errors, later, zone_band, area).swe_mm, rtol=1e-9)
    assert (told.swe_mm >= 0).all()
    np.testing.assert_array_equal(told.swe_mm[zone_band < 0], nightly[zone_band < 0])
    off = [np.sqrt(np.mean((swe - truth)[zone_band >= 0] ** 2)) for swe in (nightly, told.swe_mm)]
    assert off[1] < 0.75 * off[0]


def test_what_cannot_go_below_nought_is_taken_from_the_others():
    _, (_, errors, later, zone_band, area) = made(3)
    thin = np.arange(SHAPE[1]) % 2 == 0
    nightly = np.where(thin, 20.0, 200.0) * np.ones(SHAPE)
    later = replace(later, swe_mm=np.where(thin, 0.0, 300.0) * np.ones(SHAPE), forecast_mm=nightly)
    told = smoothed(nightly, errors, later, zone_band, area)
    assert (told.swe_mm[:, thin][zone_band[:, thin] >= 0] == 0).all()
    assert means(told.swe_mm, zone_band, area) == pytest.approx(means(nightly, zone_band, area), rel=1e-12)


def test_a_flight_without_error_or_turnover_gives_its_shape():
    """What differs from the flight is alike in all cells of a zone-band: its level."""
    truth, (nightly, errors, later, zone_band, area) = made(4)
    nothing = np.zeros(SHAPE)
    later = replace(
        later,
        swe_mm=truth + 300.0,
        forecast_mm=nightly,
        slope=np.ones(SHAPE),
        carry_mm2=nothing,
        errors=ShapeErrors(nothing, nothing),
    )
    told = smoothed(nightly, errors, later, zone_band, area)
    for k in range(4):
        here = zone_band == k
        off = told.swe_mm[here] - truth[here]
        assert off == pytest.approx(np.average(nightly[here] - truth[here], weights=area[here]), abs=1e-6)
        # Nothing of the cells' own variance is left.
        assert told.variance_change_mm2[here] == pytest.approx(-errors.own_mm2[here])


def test_a_flight_of_another_day_moves_less_the_more_was_turned_over():
    _, (nightly, errors, later, *where) = made(5)
    moved = []
    for carry_mm in (0.0, 40.0, 160.0, 1e6):
        told = smoothed(nightly, errors, replace(later, carry_mm2=np.full(SHAPE, carry_mm**2)), *where)
        moved.append(np.abs(told.swe_mm - nightly).sum())
    assert moved == sorted(moved, reverse=True)
    assert moved[-1] < 1e-3 * moved[0]


@pytest.mark.parametrize("bare", ["flight", "melted out"])
def test_a_bare_later_flight_changes_nothing(bare):
    _, (nightly, errors, later, *where) = made(6)
    nothing = np.zeros(SHAPE)
    later = {
        "flight": replace(later, swe_mm=nothing),
        "melted out": replace(later, slope=nothing),
    }[bare]
    told = smoothed(nightly, errors, later, *where)
    np.testing.assert_allclose(told.swe_mm, nightly, rtol=1e-12)
    np.testing.assert_array_equal(told.variance_change_mm2, 0.0)


def test_cells_that_the_flight_did_not_see_stay():
    _, (nightly, errors, later, *where) = made(7)
    unseen = np.arange(SHAPE[1]) % 3 == 0
    told = smoothed(nightly, errors, replace(later, swe_mm=np.where(unseen, np.nan, later.swe_mm)), *where)
    np.testing.assert_array_equal(told.swe_mm[:, unseen], nightly[:, unseen])
    np.testing.assert_array_equal(told.variance_change_mm2[:, unseen], 0.0)
    assert (told.swe_mm != nightly)[:, ~unseen].any()


def test_stated_variance_is_that_of_what_is_left():
    """In zone-bands of many cells the level hardly takes a degree of freedom: 200 draws of 180 cells."""
    z2 = []
    for seed in range(200):
        truth, (nightly, errors, later, zone_band, area) = made(seed)
        told = smoothed(nightly, errors, later, zone_band, area)
        left = errors.own_mm2 + told.variance_change_mm2
        z2.append(np.mean(((told.swe_mm - truth) ** 2 / left)[zone_band >= 0]))
    assert np.mean(z2) == pytest.approx(1.0, abs=0.15)


def test_innovations_larger_than_stated_widen_what_is_left():
    _, (nightly, errors, later, zone_band, area) = made(9)
    told = [
        smoothed(nightly, errors, replace(later, swe_mm=swe), zone_band, area)
        for swe in (later.swe_mm, later.forecast_mm)
    ]
    # Three times the stated error everywhere, up in one column and down in the next.
    wild = later.forecast_mm + 3 * np.sqrt(0.8**2 * 80.0**2 + 25.0**2 + 15.0**2) * (-1.0) ** np.arange(SHAPE[1])
    widened = smoothed(nightly, errors, replace(later, swe_mm=np.maximum(wild, 0.0)), zone_band, area)
    here = zone_band >= 0
    left = [errors.own_mm2 + one.variance_change_mm2 for one in (*told, widened)]
    assert (left[2] / left[1])[here] == pytest.approx(9.0, rel=0.2)
    assert (left[0] / left[1])[here].max() < 1.2


def test_a_flights_wide_errors_come_with_its_shape_where_the_map_had_none():
    _, (nightly, errors, later, zone_band, area) = made(8)
    alike = ShapeErrors(errors.own_mm2, np.full(SHAPE, 90.0**2))
    alike = smoothed(nightly, alike, later, zone_band, area).variance_change_mm2
    clean = ShapeErrors(errors.own_mm2, np.zeros(SHAPE))
    more = smoothed(nightly, clean, later, zone_band, area).variance_change_mm2 - alike
    gain = 0.8 * 80.0**2 / (0.8**2 * 80.0**2 + 25.0**2 + 15.0**2)
    assert more[zone_band >= 0] == pytest.approx((gain * 30.0) ** 2)


def test_parts_are_own_or_wide_by_how_far_they_hang_together():
    field = np.full(SHAPE, 3.0)
    parts = [
        ErrorPart("laser", field, 0.0),
        ErrorPart("carry", 2 * field, 500.0),
        ErrorPart("density", field, 15e3),
        ErrorPart("bias", 9 * field, np.inf),
    ]
    told = ShapeErrors.of(parts, SHAPE)
    np.testing.assert_allclose(told.own_mm2, 45.0)
    np.testing.assert_allclose(told.wide_mm2, 9.0)


def test_cover_follows_the_snow():
    covered, before = np.array([0.5, 0.5, 0.5, 1.0]), np.array([10.0, 10.0, 10.0, 200.0])
    after = np.array([0.0, 5.0, 20.0, 20.0])
    found = covered_after(covered, before, after)
    assert found.tolist() == pytest.approx([0.0, 1 - np.sqrt(0.5), 0.75, 1.0])


def test_three_cells_by_hand():
    """P = 400, H = 0.5, Q = 60, R = 40: gain 0.5 * 400 / (0.25 * 400 + 100) = 1; innovations 30, 0 and 0 over areas 1, 1 and 2.

    The level is 30 / 4: cells move by 22.5, -7.5 and -7.5. What is left is 400 (1 - 0.5), raised by the mean square innovation over
    its variance of 200, (506.25 + 3 * 56.25) / 4 / 200 = 0.84, which is below 1. The flight's wide errors are 10 more than the map's.
    """
    flat = np.ones(4)
    later = LaterFlight(
        np.array([80.0, 60.0, 70.0, 900.0]), np.array([50.0, 60.0, 70.0, 1.0]), 0.5 * flat, 60 * flat,
        ShapeErrors(40 * flat, np.array([35.0, 25.0, 20.0, 90.0])),
    )  # fmt: skip
    nightly, band, area = np.array([100.0, 120.0, 140.0, 7.0]), np.array([0, 0, 0, -1]), np.array([1.0, 1.0, 2.0, 5.0])
    told = smoothed(nightly, ShapeErrors(400 * flat, 25 * flat), later, band, area)
    assert told.swe_mm == pytest.approx([122.5, 112.5, 132.5, 7.0])
    assert told.variance_change_mm2 == pytest.approx([-200 + 10, -200, -200, 0])
    # Twice the innovations: four times the squares, 3.375 in place of 1.
    wild = replace(later, swe_mm=np.array([110.0, 60.0, 70.0, 900.0]))
    told = smoothed(nightly, ShapeErrors(400 * flat, 25 * flat), wild, band, area)
    assert told.swe_mm == pytest.approx([145.0, 105.0, 125.0, 7.0])
    assert told.variance_change_mm2 == pytest.approx([3.375 * 200 - 400 + 10, 275, 275, 0])


def test_cells_without_area_or_of_a_bare_zone_band_stay():
    flat = np.ones(3)
    later = LaterFlight(np.array([80.0, 0.0, 0.0]), 50 * flat, 0.5 * flat, 60 * flat, ShapeErrors(40 * flat, 25 * flat))
    nightly = np.array([100.0, 120.0, 140.0])
    told = smoothed(nightly, ShapeErrors(400 * flat, 25 * flat), later, np.array([0, 1, 1]), np.array([0.0, 1.0, 2.0]))
    assert told.swe_mm.tolist() == nightly.tolist()
    assert told.variance_change_mm2.tolist() == [0.0, 0.0, 0.0]


def test_cover_is_without_snow_where_nothing_is_left_and_fresh_where_nothing_was():
    """20 mm is where 1 - 1 / e is covered, and a cell half covered in 10 mm is 1 - 0.5^3 covered in 30."""
    told = covered_after(
        np.array([0.5, 0.3, 0.0, 1.0]), np.array([10.0, 40.0, 0.0, 0.5]), np.array([30.0, 0.0, 20.0, 1.0])
    )
    assert told == pytest.approx([0.875, 0.0, 1 - np.exp(-1), 1.0])
