"""What brings modelled melt to what the stations lost this season: sun, long waves and frost of the surface."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from snowtally.melt.albedo import AGEING
from snowtally.melt.energy import PRECIPITATION, TEMPERATURE, KnownSnow, SnowState, march_known, snowfall_mm
from snowtally.melt.weather import DailyWeather
from snowtally.model.ground import GroundRecord
from snowtally.snow.carry import SPARE_MM, STEP_DAYS
from snowtally.snow.melt_windows import SPAN_MM
from snowtally.snow.site_values import SITE_VARIATION
from snowtally.snow.sturm import MIDDLING_KG_M3
from snowtally.statistics.regression import doubt
from snowtally.terrain.canopy import CLEARING

CAUGHT_SHARE = 0.35
"""Error of what fell at a station in a step, as a share of it: gauges catch less, and wind brings and takes (common practice, no
source)."""

PRIOR, PRIOR_SD = np.array([[0.0, 0.0, 0.4], [0.2, 12.0, 0.3]])
"""The tuning before the stations have a say, and its spread between basins: logarithm of the factor on the sun (albedo, haze,
shade), what is added to long waves, W/m2 (humidity, wind, cloud at night; 12 W/m2 melt 3 mm a day), and the share of the air's
frost that the surface takes on. So wide that a season of stations outweighs it (from these figures, no source)."""

COUNTS = 6.0
"""Steps of one station err alike: together they count as about so many."""

UNRESOLVED = 1.0 / 3.0
"""Share of the prior's spread that no number of stations takes away: they stand in clearings, the basin does not. It leaves the sun 7 %,
about what albedo differs by between open ground and trees (common practice, no source)."""

BOUNDS = np.array([PRIOR - 3.5 * PRIOR_SD, PRIOR + 3.5 * PRIOR_SD]).clip([-np.inf, -np.inf, 0.0], [np.inf, np.inf, 1.0])
"""The tuning stays within three and a half spreads of its prior (a factor of 0.5 to 2 on the sun), a share within 0 and 1: beyond, something
else than melt is at work."""

COLD_STEP_MM = 1.0
"""A step in which less than this could melt tells of what a station gains."""

CATCH_BOUNDS = (0.5, 2.0)
"""Bounds of a station's gain over the gauges': a gauge in wind catches half of the snow (common practice, no source), a sheltered site
no more than twice what falls."""

FADING_DAYS = 20.0
"""A loss so long ago tells less of today's snow and season, by e: weather of three weeks and the snow of a storm or two."""


@dataclass(frozen=True)
class MeltTuning:
    """What brings modelled melt to what the stations lost, with its error.

    Parameters
    ----------
    fitted : logarithm of the factor on the sun, W/m2 added to long waves, share of the air's frost that the surface takes on.
    covariance : (3, 3) of these.
    stations : by site_id: observed_mm, untuned_mm and modelled_mm (as tuned) over the steps that count.
    """

    fitted: np.ndarray
    covariance: np.ndarray
    stations: pd.DataFrame

    @property
    def values(self) -> np.ndarray:
        """What `day_energy` is tuned by."""
        return _as_tuned(self.fitted)

    def drawn(self, draws: np.ndarray) -> np.ndarray:
        """Return tunings with their errors, (member, 3).

        From standard normal draws of that shape; within the bounds.
        """
        off = draws @ np.linalg.cholesky(self.covariance).T
        return np.array([_as_tuned(one) for one in np.clip(self.fitted + off, *BOUNDS)])


def _as_tuned(fitted: np.ndarray) -> np.ndarray:
    return np.array([np.exp(fitted[0]), *fitted[1:]])


class _Steps:
    """The stations' losses over steps, and what the model makes of them."""

    def __init__(self, ground: GroundRecord, past: DailyWeather, sky_view: pd.Series) -> None:
        seen = ground.station_series.reindex(past.dates)
        seen = seen.loc[:, seen.notna().any()]
        self.site_ids, self.past = list(seen.columns), past
        sites = ground.sites.loc[seen.columns]
        canopy = sites["canopy"].to_numpy(float) if "canopy" in sites else np.zeros(len(sites))
        elevation = sites["elevation_m"].to_numpy(float)
        self.cells = np.column_stack([elevation, CLEARING * canopy, sky_view[seen.columns]])
        observed = seen.to_numpy(float).T
        self.swe = np.nan_to_num(observed)
        warmth = past.rows[:, TEMPERATURE] + past.lapse_k_per_km * (elevation[:, None] - past.height_m) / 1000.0
        snow = np.vectorize(snowfall_mm, otypes=[float])(past.rows[:, PRECIPITATION], warmth)
        # From the last day backwards: the newest days are never left out.
        last = np.arange(len(past.dates) - 1, STEP_DAYS - 1, -STEP_DAYS)
        gained, self.snow = observed[:, last] - observed[:, last - STEP_DAYS], self._within(snow, last)
        self.fallen = self._within(np.tile(past.rows[:, PRECIPITATION], (len(observed), 1)), last)
        self.there = np.isfinite(gained) & (np.nan_to_num(observed[:, last]) >= SPARE_MM)
        self.gained, self.last = gained, last

    def _within(self, daily: np.ndarray, last: np.ndarray) -> np.ndarray:
        # A day's SWE is its mean, so what lies between two is half of the first day's and half of the last's.
        share = np.ones(STEP_DAYS + 1)
        share[[0, -1]] = 0.5
        parts = (part * daily[:, last - STEP_DAYS + k] for k, part in enumerate(share))
        return sum(parts, np.zeros((len(daily), len(last))))

    def lost(self, plain: np.ndarray) -> np.ndarray:
        """Return what melted by station and step, mm.

        What the snow lost, and what fell on it as this station catches snow.

        How it catches, against the gauges, is told by the steps in which snow fell and, by `plain`, none melted.
        """
        cold = self.there & (plain < COLD_STEP_MM)
        gained, fallen = (np.where(cold, values, 0.0).sum(axis=1) for values in (self.gained, self.snow))
        catch = np.clip((gained + SPARE_MM) / (fallen + SPARE_MM), *CATCH_BOUNDS)
        return catch[:, None] * self.snow - self.gained

    def modelled(self, tuned: np.ndarray) -> np.ndarray:
        """Return potential melt by station and step, mm, with a tuning."""
        shape = self.swe.shape
        density, start = np.full(shape[0], MIDDLING_KG_M3), np.tile([0.0, AGEING.fresh, 0.0], (shape[0], 1))
        out = SnowState.room(*shape)
        air = np.array([self.past.lapse_k_per_km, self.past.height_m, *tuned])
        march_known(KnownSnow(self.cells, np.ones(shape), self.swe, density, start), self.past.rows, air, out)
        return self._within(out.potential, self.last)


def tuned_melt(ground: GroundRecord, past: DailyWeather | None, sky_view: pd.Series) -> MeltTuning:
    """Return the tuning that fits melt to the stations' losses.

    Drawn to none by its prior.

    Parameters
    ----------
    ground : stations' SWE by day, elevation and canopy of their cells.
    sky_view : by site_id, share of diffuse sun received. Direct sun is that on level ground: stations stand on gentle ground.

    Notes
    -----
    Gauss-Newton steps on the losses over steps of three days under snow enough, a wild one doubted. A step's error is the
    readings' noise, a share of its melt, and a share of what fell; steps of a station err alike, and old ones tell less of today: weight falls by e in
    `FADING_DAYS`.
    """
    none = pd.DataFrame(columns=["observed_mm", "untuned_mm", "modelled_mm"], dtype=float)
    if past is None or ground.station_series.empty:
        return MeltTuning(PRIOR, np.diag(PRIOR_SD**2), none)
    steps = _Steps(ground, past, sky_view)
    plain = steps.modelled(_as_tuned(PRIOR))
    lost = steps.lost(plain)
    there = steps.there & ((plain > 0) | (lost > SPAN_MM))
    if not there.any():
        return MeltTuning(PRIOR, np.diag(PRIOR_SD**2), none)
    age = (len(past.dates) - 1 - steps.last) / FADING_DAYS
    recent = np.exp(-age) * np.ones(there.shape)
    count = (recent * there).sum(axis=1, keepdims=True)
    inflate = np.maximum(count / COUNTS, 1.0) / np.maximum(recent, 1e-6)
    fitted, step = PRIOR.copy(), np.array([0.02, 1.0, 0.05])

    def melted(at: np.ndarray) -> np.ndarray:
        return steps.modelled(_as_tuned(at))[there]

    # It settles in three or four rounds.
    for _ in range(5):
        made = melted(fitted)
        slopes = np.column_stack(
            [(melted(fitted + step * unit) - made) / step[k] for k, unit in enumerate(np.eye(len(fitted)))]
        )
        off = lost[there] - made
        variance = SPAN_MM**2 + (SITE_VARIATION * made) ** 2 + (CAUGHT_SHARE * steps.fallen[there]) ** 2
        weight = 1.0 / (variance * inflate[there] * doubt(off / np.sqrt(variance)))
        precision = (slopes * weight[:, None]).T @ slopes + np.diag(PRIOR_SD**-2.0)
        change = np.linalg.solve(precision, (slopes * weight[:, None]).T @ off - (fitted - PRIOR) / PRIOR_SD**2)
        fitted = np.clip(fitted + change, *BOUNDS)
    covariance = np.linalg.inv(precision) + np.diag((UNRESOLVED * PRIOR_SD) ** 2)
    made = steps.modelled(_as_tuned(fitted))
    sums = [np.where(there, values, 0.0).sum(axis=1) for values in (lost, plain, made)]
    stations = pd.DataFrame(np.column_stack(sums), index=steps.site_ids, columns=none.columns)
    return MeltTuning(fitted, covariance, stations[there.any(axis=1)])
