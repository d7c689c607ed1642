"""The season's weather over the basin, from stations and the weather table: what fell and how warm it was, by elevation."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.special import ndtr

from snowtally.model.ground import GroundRecord
from snowtally.statistics.few_values import known_mean, row_medians
from snowtally.statistics.regression import BayesianLine

LAPSE_K_PER_KM = (-6.0, 1.2)
"""Fall of temperature with height before the stations have a say, and its spread between seasons and basins: -6.5 in the free
air, less in winter valleys (common practice, no source)."""

STATION_OFFSET_K = 0.8
"""How far a station's mean temperature lies from its height's, K: hollows, slopes and sensors (common practice, no source)."""

SNOW_RAIN_C = (-1.0, 3.0)
"""Daily mean temperatures between which snow turns to rain, half of each at 1 C (Jennings et al. 2018, Nat. Commun. 9, 1148,
give 1.0 C for the northern hemisphere)."""

WITHIN_DAY_K = 3.0
"""Spread of temperature within a day, K: some melt comes in the afternoon of a day whose mean is below freezing (common
practice, no source)."""

DEGREE_DAY_MM = (2.0, 5.0)
"""Melt by degree above freezing, mm/(K day), at the winter and at the summer solstice: between them it follows the sun's
height (range of Hock 2003, J. Hydrol. 282, 104-115, Table 1; the sinusoid after Anderson 2006, from memory)."""

LEAST_OBSERVED = 0.8
"""Share of the days below which weather is as good as not known: what fell on the others would be missing from the sums."""

LEAST_DAYS = 10
"""A temperature or gauge record shorter than this tells nothing of its place's offset or catch."""

CATCH_LEAST = 0.1
"""Gauges that caught as snow less than a tenth of what some site holds are capped or dead: they tell nothing of the snow."""


@dataclass(frozen=True)
class Forcing:
    """Daily weather on elevation nodes.

    Parameters
    ----------
    days : (d,) rising, every day once.
    nodes_m : (n,) rising elevations.
    temperature_c : (d, n) daily mean.
    precipitation_mm : (d,) fallen at the gauges' common place; how it varies over the basin is for the snow's own pattern.
    lapse_k_per_km : the lapse rate taken.
    southern : whether midsummer lies in December.
    observed : (d,) whether anybody told of the day's temperature and of its precipitation.
    """

    days: pd.DatetimeIndex
    nodes_m: np.ndarray
    temperature_c: np.ndarray
    precipitation_mm: np.ndarray
    lapse_k_per_km: float
    southern: bool
    observed: np.ndarray

    @property
    def snowfall_mm(self) -> np.ndarray:
        """Snowfall, mm, (d, n).

        Of a point that catches what the gauges catch.
        """
        cold, warm = SNOW_RAIN_C
        return self.precipitation_mm[:, None] * np.clip((warm - self.temperature_c) / (warm - cold), 0.0, 1.0)

    @property
    def melt_mm(self) -> np.ndarray:
        """(d, n) potential melt, mm.

        Degree days above freezing times a factor that follows the sun's height.
        """
        scaled = self.temperature_c / WITHIN_DAY_K
        # Expected part above freezing of a normal spread about the day's mean.
        above = WITHIN_DAY_K * (scaled * ndtr(scaled) + np.exp(-0.5 * scaled**2) / np.sqrt(2 * np.pi))
        low, high = DEGREE_DAY_MM
        midwinter = 172 if self.southern else 355
        phase = np.cos(2 * np.pi * (self.days.day_of_year.to_numpy() - midwinter) / 365.25)
        return above * (0.5 * (low + high) - 0.5 * (high - low) * phase)[:, None]

    def since(self, day: pd.Timestamp) -> Forcing:
        """Return the weather of the days after `day`."""
        return self._on(self.days > day)

    def until(self, day: pd.Timestamp) -> Forcing:
        """Return the weather up to and with `day`."""
        return self._on(self.days <= day)

    @property
    def observed_share(self) -> float:
        """Share of the days with a report; 1 without days."""
        return float(self.observed.mean()) if len(self.observed) else 1.0

    @property
    def enough_days(self) -> bool:
        """Whether enough days are known for sums over them."""
        return self.observed_share >= LEAST_OBSERVED

    def _on(self, chosen: np.ndarray) -> Forcing:
        return replace(
            self,
            days=self.days[chosen],
            temperature_c=self.temperature_c[chosen],
            precipitation_mm=self.precipitation_mm[chosen],
            observed=self.observed[chosen],
        )


def season_forcing(ground: GroundRecord, start: pd.Timestamp, end: pd.Timestamp, nodes_m: np.ndarray) -> Forcing | None:
    """Return the weather from `start` to `end`.

    None where neither stations nor table have temperature.

    Gauges that cannot have made the snow that the sites hold are dead and tell nothing.

    Parameters
    ----------
    ground : `daily` with air_temperature_c and precipitation_mm, `weather` with date, elevation_m and the same; `southern`.
    start, end : first and last day.
    nodes_m : rising elevations.

    Notes
    -----
    Each record, brought to one height by the lapse rate, has its own persistent offset taken off before the day's mean is
    made, so that a record's beginning or end makes no step. The lapse rate is a Bayesian line through the records' offsets.
    Gauges are brought to a common catch in the same manner. A day that nobody tells of takes the mean of its neighbours in
    temperature, and no precipitation; `observed` tells it.

    A record keeps what was asked of it: density, every candidate of a blend and the snow line ask for the same season. The
    arrays cannot be written into.
    """
    nodes = np.array(nodes_m, float)
    question = "season forcing", start, end, nodes.tobytes()
    return ground.once(question, lambda: _forcing(ground, pd.date_range(start, end), nodes))


def _forcing(ground: GroundRecord, days: pd.DatetimeIndex, nodes_m: np.ndarray) -> Forcing | None:
    """Return `season_forcing`, reckoned."""
    warmth, height = _records(ground, "air_temperature_c", days)
    fallen, _ = _records(ground, "precipitation_mm", days)
    if warmth.empty or fallen.empty:
        return None
    # As arrays: a table's own bookkeeping takes ten times as long, and each group of sites left out asks anew.
    felt, caught, height = warmth.to_numpy(float), fallen.to_numpy(float), height.to_numpy(float)
    slope, centre = LAPSE_K_PER_KM[0], float(height.mean())
    at_centre = felt - slope * (height - centre) / 1000.0
    offset = known_mean(at_centre - known_mean(at_centre, 1)[:, None], 0)
    line = BayesianLine(np.array([5.0, LAPSE_K_PER_KM[1]])).fit(
        np.column_stack([np.ones(len(height)), (height - centre) / 1000.0]), offset, np.full(len(height), STATION_OFFSET_K**2)
    )  # fmt: skip
    slope += float(line.coefficients_[1])
    at_centre = felt - slope * (height - centre) / 1000.0
    offset = known_mean(at_centre - known_mean(at_centre, 1)[:, None], 0)
    level = pd.Series(row_medians(at_centre - offset), days)
    observed = level.notna().to_numpy() & np.isfinite(caught).any(axis=1)
    level = level.interpolate(limit_direction="both").to_numpy()
    common = np.where(np.isfinite(caught), known_mean(caught, 1)[:, None], np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        catch = known_mean(caught, 0) / known_mean(common, 0)
    precipitation = np.nan_to_num(known_mean(caught / np.where(catch > 0, catch, np.nan), 1))
    temperature = level[:, None] + slope * (nodes_m - centre)[None, :] / 1000.0
    precipitation = np.maximum(precipitation, 0.0)
    for shared in (nodes_m, temperature, precipitation, observed):
        shared.setflags(write=False)
    forcing = Forcing(days, nodes_m, temperature, precipitation, slope, ground.southern, observed)
    return None if _gauges_dead(ground, forcing) else forcing


def node_to_sites(field: np.ndarray, nodes_m: np.ndarray, elevation_m: np.ndarray) -> np.ndarray:
    """Return a (day, node) field at (site,) elevations in m, (day, site)."""
    position = np.interp(elevation_m, nodes_m, np.arange(len(nodes_m)))
    low = np.minimum(position.astype(int), max(len(nodes_m) - 2, 0))
    share = position - low
    high = np.minimum(low + 1, len(nodes_m) - 1)
    return field[:, low] * (1 - share) + field[:, high] * share


def _gauges_dead(ground: GroundRecord, forcing: Forcing) -> bool:
    """Return whether the gauges are dead or capped.

    Their snowfall cannot have made the most that some site held.
    """
    span = forcing.days[0], forcing.days[-1]
    most = ground.each_site(("most held", *span), lambda: _most_held(ground, *span))
    if most.empty:
        return False
    site_id = most["swe_mm"].idxmax()
    held, there = most.loc[site_id, ["swe_mm", "date"]]
    # Up to the day on which the site held it: what fell later made none of it.
    snowfall = forcing.until(there).snowfall_mm.sum(axis=0)
    at_site = float(np.interp(float(ground.sites.loc[site_id, "elevation_m"]), forcing.nodes_m, snowfall))
    return bool(at_site < CATCH_LEAST * held)


def _most_held(ground: GroundRecord, first: pd.Timestamp, last: pd.Timestamp) -> pd.DataFrame:
    """Return the most SWE that each site held, mm.

    From the first to the last day, with the first day on which it did.
    """
    names = ["site_id", "date", "swe_mm"]
    held = pd.concat([ground.daily[names], ground.visits[names]], ignore_index=True).dropna(subset="swe_mm")
    held = held[held["date"].between(first, last) & held["site_id"].isin(ground.sites.index)]
    held = held.sort_values(["site_id", "swe_mm", "date"], ascending=[True, False, True])
    return held.drop_duplicates("site_id").set_index("site_id")


def _records(ground: GroundRecord, name: str, days: pd.DatetimeIndex) -> tuple[pd.DataFrame, pd.Series]:
    """Return a quantity by day and record, and the elevations.

    Records are the stations and the weather table.
    """
    wide = ground.each_site((name, len(days), *days[:1]), lambda: _wide(ground, name, days), "columns")
    heights = ground.sites["elevation_m"].astype(float).reindex(wide.columns)
    if WEATHER_TABLE in heights:
        heights[WEATHER_TABLE] = float(_weather(ground, name)["elevation_m"].mean())
    return wide, heights


def _wide(ground: GroundRecord, name: str, days: pd.DatetimeIndex) -> pd.DataFrame:
    """Return the first of `_records`, reckoned."""
    parts = [ground.station_days(name)] if name in ground.daily else []
    daily = _weather(ground, name)
    if len(daily):
        parts.append(daily[[name]].rename(columns={name: WEATHER_TABLE}))
    if not parts:
        return pd.DataFrame()
    wide = pd.concat([part.reindex(days) for part in parts], axis=1)
    return wide.loc[:, wide.notna().sum() >= min(LEAST_DAYS, len(days))]


def _weather(ground: GroundRecord, name: str) -> pd.DataFrame:
    """Return a quantity of the weather table by day.

    With its elevation in m; empty where the table does not have it.
    """
    # No site is in it, so that a record without some sites has the same.
    return ground.each_site(("weather", name), lambda: _of_table(ground.weather, name), "columns")


def _of_table(table: pd.DataFrame, name: str) -> pd.DataFrame:
    """Return `_weather`, reckoned."""
    if not len(table) or name not in table:
        return pd.DataFrame()
    return table.dropna(subset=[name, "elevation_m"]).groupby("date")[[name, "elevation_m"]].mean()


WEATHER_TABLE = "weather table"
"""Name of the weather table's record beside the stations'."""
