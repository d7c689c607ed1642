"""A flight's level and that of the flight before, carried on to its day."""

import datetime as dt

import numpy as np
import pytest

from snowtally.snow.carry import Pattern
from snowtally.snow.evening import Level, level_of
from snowtally.snow.flight_swe import Flown
from snowtally.statistics.errors import ErrorPart

SINCE = dt.date(2031, 2, 1)
AREA = np.array([[0.0, 1e4, 1e4, 2e4]])
FLOWN = np.array([[900.0, 110.0, np.nan, 330.0]])


def test_the_innovation_is_of_the_volumes_over_the_cells_seen_in_the_basin():
    carried = np.array([[0.0, 130.0, 500.0, 285.0]])
    level = level_of(SINCE, FLOWN, carried, AREA)
    assert level.innovation == pytest.approx(np.log((110 + 2 * 330) / (130 + 2 * 285)))
    assert level.parameters()["carried_from"] == "2031-02-01"


@pytest.mark.parametrize("innovation", [-0.1, 0.0, 0.02, 0.3])
def test_the_combined_volume_is_the_weighted_mean_of_the_logarithms(innovation):
    level = Level(SINCE, innovation)
    flown, carried = 200.0, 200.0 * np.exp(-innovation)
    expected = (1.0 - level.weight) * np.log(flown) + level.weight * np.log(carried)
    assert np.log(level.factor * flown) == pytest.approx(expected)


def test_the_weight_falls_as_the_innovation_grows():
    """0.2 / (1 + (0.3 / 0.6)^2) = 0.16."""
    assert Level(SINCE, 0.3).weight == pytest.approx(0.16)
    assert Level(SINCE, 0.0).weight == pytest.approx(0.2)


def test_a_wild_innovation_hardly_moves_the_flight():
    """Late in melt what was carried may be gone where the flight saw snow, or ten times as much."""
    assert all(abs(np.log(Level(SINCE, wild).factor)) < 0.04 for wild in (-3.0, 3.0))


def test_no_snow_in_either_tells_nothing():
    assert level_of(SINCE, FLOWN, np.zeros(AREA.shape), AREA) is None
    assert level_of(SINCE, np.where(np.isfinite(FLOWN), 0.0, np.nan), np.ones(AREA.shape), AREA) is None


@pytest.mark.parametrize(("outside", "unseen"), [(np.nan, 1.0), (1.0, np.nan)])
def test_what_lies_outside_the_basin_or_was_not_seen_does_not_count(outside, unseen):
    """The carried map has no value outside the basin, nor need it have one where the flight saw nothing."""
    level = level_of(SINCE, FLOWN, np.array([[outside, 110.0, unseen, 330.0]]), AREA)
    assert level.innovation == pytest.approx(0.0)
    assert level.factor == pytest.approx(1.0)


def test_a_levels_parameters_are_those_of_its_formula():
    """0.2 / (1 + (0.12345 / 0.6)^2) = 0.19188."""
    parameters = Level(SINCE, 0.12345).parameters()
    assert parameters == {"carried_from": "2031-02-01", "innovation": 0.1235, "weight": 0.1919}


def test_a_flight_without_its_level_is_as_it_was_measured():
    measured = Flown(
        SINCE, FLOWN, FLOWN / 300.0, FLOWN / 3000.0, np.ones(FLOWN.shape), [ErrorPart("laser", np.full(FLOWN.shape, 30.0), 0.0)],
        Pattern(np.array([1000.0]), np.array([200.0])),
    )  # fmt: skip
    combined = measured.combined(Level(SINCE, 0.3))
    assert combined.swe_mm[0, 1] == pytest.approx(110.0 * np.exp(-0.16 * 0.3))
    back = combined.as_measured()
    assert (back.level, combined.depth_m is measured.depth_m) == (None, True)
    np.testing.assert_allclose(back.swe_mm, FLOWN, rtol=1e-12)
    np.testing.assert_allclose(back.standard_error(), 30.0, rtol=1e-12)
    np.testing.assert_allclose(back.pattern.mean_mm, 200.0, rtol=1e-12)


def test_a_flight_with_one_part_has_each_cells_error():
    parts = [
        ErrorPart("bias", np.full(FLOWN.shape, -30.0), np.inf),
        ErrorPart("random", np.full(FLOWN.shape, 40.0), 0.0),
    ]
    flown = Flown(
        SINCE,
        FLOWN,
        FLOWN / 300.0,
        FLOWN / 3000.0,
        np.ones(FLOWN.shape),
        parts,
        Pattern(np.array([1000.0]), np.array([200.0])),
    )
    one = flown.with_one_part()
    assert len(one.parts) == 1
    np.testing.assert_allclose(one.standard_error(), 50.0, rtol=1e-12)
    # A level found later, and taken off again, is that of all parts.
    level = Level(SINCE, 0.3)
    np.testing.assert_allclose(one.combined(level).standard_error(), flown.combined(level).standard_error(), rtol=1e-12)
