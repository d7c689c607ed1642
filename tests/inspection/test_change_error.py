"""The error of a change: against errors that are drawn and add up, or that measurements narrow."""

import datetime as dt

import numpy as np
import pytest

from snowtally.inspection.change_error import DatedError, change_error

FLIGHT, NEWER = dt.date(2031, 3, 27), dt.date(2031, 5, 8)
BIAS, CARRY_A, CARRY_B, DENSITY_A, DENSITY_B = 9.0, 4.0, 13.0, 25.0, 16.0


def error(volume_se, shares, *flights):
    record = {"error_budget": shares, "models": {"flights": [{"date": str(date)} for date in flights]}}
    return DatedError.of(record, volume_se)


def test_the_change_errs_as_errors_that_are_drawn_do():
    draw = np.random.default_rng(5).normal(size=(5, 200_000))
    bias, carried, later = 3 * draw[0], 2 * draw[1], 3 * draw[2]
    # Density between the courses, variance 16, and what a round of courses took away from its error, 9.
    density, learned = 4 * draw[3], 3 * draw[4]
    before, after = bias + carried + density + learned, bias + carried + later + density
    whole = [BIAS + CARRY_A + DENSITY_A, BIAS + CARRY_B + DENSITY_B]
    parts = [
        {"flight bias": BIAS, "carry local": carry, "density common": dense}
        for carry, dense in ((CARRY_A, DENSITY_A), (CARRY_B, DENSITY_B))
    ]
    one, other = (
        error(np.sqrt(total), {name: part / total for name, part in of.items()}, FLIGHT)
        for of, total in zip(parts, whole, strict=True)
    )
    assert change_error(other, one) == pytest.approx((after - before).std(), rel=0.01)
    assert change_error(one, other) == change_error(other, one)


def test_another_flight_shares_no_error_of_the_flight_and_a_day_without_parts_none_at_all():
    shares = {"flight bias": 0.36, "density common": 0.64}
    one = error(5.0, shares, FLIGHT)
    assert change_error(error(5.0, shares, FLIGHT), one) == 0.0
    assert change_error(error(5.0, shares, FLIGHT, NEWER), one) == pytest.approx(np.sqrt(2 * 0.36) * 5)
    assert change_error(error(5.0, {}, FLIGHT), one) == pytest.approx(np.sqrt(2) * 5)
    assert change_error(error(0.0, {}), error(0.0, {})) == 0.0
