"""A flight against the sites it passed over: depth by depth, its offset, and what is done about it."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import xarray as xr

from snowtally.flights.plausible import FEET_PER_METRE
from snowtally.flights.register import nmad
from snowtally.model.ground import GroundRecord
from snowtally.model.problems import RefusedFlightError

COURSE_DAYS = 3
"""A course counts that was visited within so many days of the flight: a storm or a week of settling is not the flight's."""

LEAST_SITES = 3
"""With fewer sites an offset is theirs rather than the flight's: one sensor stands in a drift, another under a branch."""

DEEP_M = 0.3
"""Ratios are taken where the ground says more than this, m: in thin snow one site's own place decides them."""

RATIO_LEEWAY = 1.25
"""Sites hold 6 to 9 % more than their cells with a spread of 15 to 20 % (the demo basin; common practice): the median of
three or more lies within this factor of the true ratio, and 1 and 3.28 are far apart."""

COLUMNS = ["site_id", "kind", "days_after", "ground_depth_m", "flight_depth_m", "difference_m"]


def depths_by_site(flight: xr.Dataset, ground: GroundRecord, least_valid_fraction: float) -> pd.DataFrame:
    """Return the depths of a flight and of the ground, by site.

    Parameters
    ----------
    flight : as `measure_flight` gives it.
    ground : stations' days count on the flight's day, course visits within `COURSE_DAYS` of it.
    least_valid_fraction : cells seen less do not count.

    Returns
    -------
    DataFrame : site_id, kind, days_after (of the ground's depth, days after the flight), ground_depth_m, flight_depth_m (the
    mean of the site's cell), difference_m (flight less ground).
    """
    depths = [_near_flight(ground.daily, flight, 0), _near_flight(ground.visits, flight, COURSE_DAYS)]
    table = pd.concat(depths, ignore_index=True)
    table = table[table["site_id"].isin(ground.sites.index)].sort_values(["site_id", "apart"], kind="stable")
    table = table.drop_duplicates("site_id", ignore_index=True)
    sites = ground.sites.reindex(table["site_id"])
    row, column = (sites[name].to_numpy(int) for name in ("row", "column"))
    seen = flight["valid_fraction"].to_numpy()[row, column] >= least_valid_fraction
    depth = np.where(seen, flight["depth"].to_numpy()[row, column], np.nan)
    table = table.assign(
        kind=sites["kind"].to_numpy(), flight_depth_m=depth, difference_m=depth - table["ground_depth_m"].to_numpy()
    )
    return table.loc[np.isfinite(depth), COLUMNS].reset_index(drop=True)


def _near_flight(rows: pd.DataFrame, flight: xr.Dataset, most_days: int) -> pd.DataFrame:
    date = pd.Timestamp(dt.date.fromisoformat(flight.attrs["date"]))
    days = (rows["date"] - date).dt.days
    near = rows["depth_m"].notna() & (days.abs() <= most_days)
    depths = pd.DataFrame({"site_id": rows["site_id"], "days_after": days, "ground_depth_m": rows["depth_m"]})[near]
    # Of two visits as near, the earlier one.
    return depths.assign(apart=depths["days_after"].abs() + (depths["days_after"] > 0) / 2)


def offset_of(by_site: pd.DataFrame) -> dict[str, float | int | None]:
    """Return the flight's offset from the sites.

    The result has the number of sites, the median and the NMAD of the differences, and the standard error of the
    median. The last three are in m, and None with fewer than `LEAST_SITES`.
    """
    difference, sites = by_site["difference_m"].to_numpy(float), len(by_site)
    if sites < LEAST_SITES:
        return {"sites": sites, "offset_m": None, "nmad_m": None, "offset_se_m": None}
    spread = nmad(difference)
    # The median of n normal errors is 1.2533 times as uncertain as their mean.
    return {
        "sites": sites,
        "offset_m": float(np.median(difference)),
        "nmad_m": spread,
        "offset_se_m": float(1.2533 * spread / np.sqrt(sites)),
    }


def check_unit(by_site: pd.DataFrame, flight_id: str) -> None:
    """Refuse depths that are feet taken for metres, or the other way round.

    Raises
    ------
    RefusedFlightError : the flight's depth is 3.28 times, or 0.305 times, the ground's at `LEAST_SITES` or more sites.
    """
    deep = by_site[by_site["ground_depth_m"] > DEEP_M]
    if len(deep) < LEAST_SITES:
        return
    ratio = float((deep["flight_depth_m"] / deep["ground_depth_m"]).median())
    for factor, words in (
        (
            FEET_PER_METRE,
            "they are feet taken for metres. Declare it: a unit in the file, or columns.flights.depth: {unit: foot}",
        ),
        (1 / FEET_PER_METRE, "they are metres taken for feet. Correct the unit in the file, or columns.flights.depth"),
    ):
        if factor / RATIO_LEEWAY < ratio < factor * RATIO_LEEWAY:
            raise RefusedFlightError(
                f"flight {flight_id}: its depths are {ratio:.2f} times those of {len(deep)} sites on the ground: {words}"
            )


def without_offset(flight: xr.Dataset, offset_m: float, offset_se_m: float) -> xr.Dataset:
    """Return the flight with an offset taken off every depth.

    Its common error is then that of the offset, where larger.
    """
    moved = flight.assign(depth=(flight["depth"] - offset_m).assign_attrs(flight["depth"].attrs))
    return moved.assign_attrs(depth_bias_se_m=max(flight.attrs["depth_bias_se_m"], offset_se_m))
