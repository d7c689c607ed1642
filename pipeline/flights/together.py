"""Flights brought together with what else is known of their day: snow-cover grids, and other flights of the same day."""

from __future__ import annotations

import numpy as np
import xarray as xr

STANDING_OUT = 2.0
"""A depth so many times its own error is snow, whatever a cover grid says: a laser measures depth, a grid tells snow by colour."""


def bare_where_seen_bare(
    flight: xr.Dataset, cover: np.ndarray, bare_cover: float
) -> tuple[xr.Dataset, dict[str, float]]:
    """Return the flight without noise on bare ground, and the disagreement.

    Bare is what a snow-cover grid of its day saw bare.

    A depth above `STANDING_OUT` times its error stays as it was measured. The others are zero, and their error stays too.

    Parameters
    ----------
    flight : as `measure_flight` gives it.
    cover : snow-covered fraction on (y, x), missing under cloud.
    bare_cover : a fraction below is bare.

    Returns
    -------
    flight : depth and its spread are zero in bare cells that it saw no snow in.
    figures : bare cells whose depth stands out (`cells`), their share of the bare cells that the flight saw (`share`), and the
        mean depth there (`depth_m`).
    """
    depth = flight["depth"].to_numpy()
    bare = (cover < bare_cover) & np.isfinite(depth)
    error = np.hypot(flight["depth_random_se"].to_numpy(), flight.attrs["depth_bias_se_m"])
    against = bare & (depth > STANDING_OUT * error)
    figures = {
        "cells": int(against.sum()),
        "share": float(against.sum() / max(bare.sum(), 1)),
        "depth_m": float(depth[against].mean()) if against.any() else 0.0,
    }
    cleared = {
        name: flight[name].copy(data=np.where(bare & ~against, 0.0, flight[name].to_numpy()))
        for name in ("depth", "depth_spread")
    }
    return flight.assign(cleared), figures


def one_a_day(flights: list[xr.Dataset]) -> list[xr.Dataset]:
    """Return one flight for each day, oldest first.

    Several flights of one day become one, whatever their order. A cell that several saw takes their mean, weighted by
    the area that each saw and by its random error. The largest of the common errors counts for all: what the flights
    share, such as the snow-off surface, does not average out.

    Parameters
    ----------
    flights : each as `measure_flight` gives it, all on one grid.
    """
    by_day: dict[str, list[xr.Dataset]] = {}
    for flight in sorted(flights, key=lambda flight: (flight.attrs["date"], flight.attrs["flight_id"])):
        by_day.setdefault(flight.attrs["date"], []).append(flight)
    return [of_day[0] if len(of_day) == 1 else _joined(of_day) for of_day in by_day.values()]


def _joined(flights: list[xr.Dataset]) -> xr.Dataset:
    depth, valid, spread, se = (
        np.stack([flight[name].to_numpy() for flight in flights])
        for name in ("depth", "valid_fraction", "depth_spread", "depth_random_se")
    )
    seen = np.isfinite(depth) & (valid > 0)
    # Flights kept by earlier versions have no random error where the ground was seen bare: the least elsewhere keeps weights finite.
    least = np.nanmin(np.where(seen & (se > 0), se, np.nan), initial=1.0)
    weight = np.where(seen, valid / np.maximum(np.nan_to_num(se, nan=1.0), least) ** 2, 0.0)
    total = weight.sum(axis=0)
    share = weight / np.where(total > 0, total, 1.0)

    def mean(values: np.ndarray) -> np.ndarray:
        return np.where(total > 0, (share * np.where(seen, values, 0.0)).sum(axis=0), np.nan)

    fields = {
        "depth": mean(depth),
        # How much of it the flights saw twice is not known: at least as much as the better of them.
        "valid_fraction": valid.max(axis=0),
        "depth_spread": mean(spread),
        "depth_random_se": np.sqrt(mean(share * se**2)),
    }
    first = flights[0]
    joined = first.assign({name: first[name].copy(data=values) for name, values in fields.items()})
    largest = {name: max(flight.attrs[name] for flight in flights) for name in SHARED_ERRORS}
    return joined.assign_attrs(flight_id=" and ".join(flight.attrs["flight_id"] for flight in flights), **largest)


SHARED_ERRORS = ("depth_bias_se_m", "noise_m", "noise_correlation_m")
