"""Simple standard methods, written plainly from general libraries: what a user would put together in a day.

Each takes a day's inputs and returns SWE (mm) on the grid, or None where the method has nothing to go by.
"""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
from pykrige.ok import OrdinaryKriging
from sklearn.ensemble import RandomForestRegressor

from snowtally.estimate.estimate import DayInputs


def latest_values(inputs: DayInputs, date: dt.date) -> pd.DataFrame:
    """Return each site's SWE: a station's of the day, a course's of its last visit, with x, y and elevation."""
    day = pd.Timestamp(date)
    daily, visits = inputs.ground.daily, inputs.ground.visits
    station = daily[daily["date"] == day].set_index("site_id")["swe_mm"]
    course = visits[visits["date"] <= day].sort_values("date").groupby("site_id")["swe_mm"].last()
    values = pd.concat([station, course]).dropna()
    return inputs.ground.sites.loc[values.index, ["x", "y", "elevation_m"]].assign(swe_mm=values.to_numpy())


def mean_density(inputs: DayInputs, date: dt.date) -> float:
    """Return the mean of the sites' newest densities on a date, kg/m3."""
    known = inputs.densities[inputs.densities["date"] <= pd.Timestamp(date)].sort_values("date")
    newest = known.groupby("site_id").last()
    newest = newest[newest["date"] > pd.Timestamp(date) - pd.Timedelta(days=40)]
    return float(newest["density_kg_m3"].mean()) if len(newest) else 300.0


def _grid(inputs: DayInputs) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = np.meshgrid(inputs.basin.grid.x, inputs.basin.grid.y)
    return x, y, inputs.basin.terrain["elevation"].to_numpy()


def inverse_distance(inputs: DayInputs) -> np.ndarray | None:
    """Return the mean of the sites weighted by the inverse square of distance."""
    sites = latest_values(inputs, inputs.day.date)
    x, y, _ = _grid(inputs)
    weight = 1.0 / ((x[..., None] - sites["x"].to_numpy()) ** 2 + (y[..., None] - sites["y"].to_numpy()) ** 2 + 1.0)
    return (weight * sites["swe_mm"].to_numpy()).sum(axis=-1) / weight.sum(axis=-1)


def _kriged(inputs: DayInputs, sites: pd.DataFrame, values: np.ndarray) -> np.ndarray:
    if len(sites) < 4 or np.ptp(values) == 0:
        return np.full(inputs.basin.grid.shape, values.mean())
    model = OrdinaryKriging(sites["x"].to_numpy(), sites["y"].to_numpy(), values)
    return np.asarray(model.execute("grid", inputs.basin.grid.x, inputs.basin.grid.y)[0])


def ordinary_kriging(inputs: DayInputs) -> np.ndarray | None:
    """Return ordinary kriging of the sites with PyKrige's defaults."""
    sites = latest_values(inputs, inputs.day.date)
    return np.maximum(_kriged(inputs, sites, sites["swe_mm"].to_numpy()), 0.0)


def elevation_line(inputs: DayInputs) -> np.ndarray | None:
    """Return the regression of the sites on elevation."""
    sites = latest_values(inputs, inputs.day.date)
    line = np.polyfit(sites["elevation_m"], sites["swe_mm"], 1)
    return np.maximum(np.polyval(line, _grid(inputs)[2]), 0.0)


def regression_kriging(inputs: DayInputs) -> np.ndarray | None:
    """Return the regression on elevation with its residuals kriged."""
    sites = latest_values(inputs, inputs.day.date)
    line = np.polyfit(sites["elevation_m"], sites["swe_mm"], 1)
    left = (sites["swe_mm"] - np.polyval(line, sites["elevation_m"])).to_numpy()
    return np.maximum(np.polyval(line, _grid(inputs)[2]) + _kriged(inputs, sites, left), 0.0)


def last_flight(inputs: DayInputs) -> np.ndarray | None:
    """Return the last flight's depth times the sites' mean density on its day; voids by the mean of like elevation."""
    if not inputs.flights:
        return None
    flight = inputs.flights[-1]
    depth = np.maximum(flight["depth"].to_numpy(), 0.0)
    height = _grid(inputs)[2]
    seen = np.isfinite(depth) & (flight["valid_fraction"].to_numpy() >= 0.5)
    curve = np.polyfit(height[seen], depth[seen], 2)
    filled = np.where(seen, depth, np.maximum(np.polyval(curve, height), 0.0))
    return filled * mean_density(inputs, _flown_on(inputs))


def _flown_on(inputs: DayInputs) -> dt.date:
    return dt.date.fromisoformat(inputs.flights[-1].attrs["date"])


def _change(inputs: DayInputs) -> pd.DataFrame:
    """Return the sites' SWE on the flight's day and now, those that know both."""
    then, now = latest_values(inputs, _flown_on(inputs)), latest_values(inputs, inputs.day.date)
    return now.join(then["swe_mm"].rename("then_mm"), how="inner")


def scaled_flight(inputs: DayInputs) -> np.ndarray | None:
    """Return the last flight scaled by the sites' mean ratio since."""
    flown = last_flight(inputs)
    if flown is None:
        return None
    both = _change(inputs)
    return flown * float(both["swe_mm"].sum() / max(both["then_mm"].sum(), 1.0))


def flight_and_line(inputs: DayInputs) -> np.ndarray | None:
    """Return the last flight plus the sites' change since, as a line on elevation."""
    flown = last_flight(inputs)
    if flown is None:
        return None
    both = _change(inputs)
    line = np.polyfit(both["elevation_m"], both["swe_mm"] - both["then_mm"], 1)
    return np.maximum(flown + np.polyval(line, _grid(inputs)[2]), 0.0)


def random_forest(inputs: DayInputs) -> np.ndarray | None:
    """Return a random forest on terrain, from the sites of today and the last flight's cells scaled to today."""
    sites = latest_values(inputs, inputs.day.date)
    x, y, height = _grid(inputs)
    grid = np.column_stack([a.ravel() for a in (x, y, height, inputs.basin.terrain["canopy"].to_numpy())])
    rows = inputs.ground.sites.loc[sites.index]
    known = [np.ravel_multi_index((rows["row"], rows["column"]), height.shape)]
    values = [sites["swe_mm"].to_numpy()]
    flown = scaled_flight(inputs)
    if flown is not None:
        pick = np.random.default_rng(0).choice(flown.size, 3000, replace=False)
        known.append(pick)
        values.append(flown.ravel()[pick])
    forest = RandomForestRegressor(60, min_samples_leaf=2, random_state=0, n_jobs=1)
    forest.fit(grid[np.concatenate(known)], np.concatenate(values))
    return forest.predict(grid).reshape(height.shape)


BASELINES = {
    "inverse distance": inverse_distance,
    "ordinary kriging": ordinary_kriging,
    "line on elevation": elevation_line,
    "regression kriging": regression_kriging,
    "last flight": last_flight,
    "last flight scaled": scaled_flight,
    "last flight and line": flight_and_line,
    "random forest": random_forest,
}
