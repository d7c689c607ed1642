"""Snow by degree days and sun: the first of the recovery trial's two physics, in steps of a day.

Snowfall comes by lapse rate and orographic fields, gathers in hollows and on lee slopes by a pattern that lasts the season, and
melts by an enhanced temperature index (Pellicciotti et al. 2005, J. Glaciol. 51, 573-587, its form from memory): degrees above a
threshold, and sun on the slope by an ageing albedo. Every constant is drawn for the world.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from world_places import Points, noise
from world_records import SnowRecord
from world_seasons import WINDS, Season, storm_field, sun_on

SUN_DAYS = 12
"""The sun's path is taken anew this often."""


@dataclass(frozen=True)
class DegreeDay:
    """The constants of a world of degree days.

    Parameters
    ----------
    snow_rain : temperatures between which snow turns to rain, C.
    degree_mm : melt by degree, mm/(K day); `sun_mm`, by absorbed MJ/m2, mm.
    threshold : temperature above which it melts, C.
    caught : share of a snowfall that a closed canopy keeps from the ground.
    shade : extinction of sun by canopy.
    hollows, lee, brush : spread of the logarithm of the pattern, by its cause.
    fresh_kg : density of new snow at -5 C; `dry_kg`, `wet_kg`, what dry and wet snow settle to, kg/m3.
    settle_days : time in which it does.
    """

    snow_rain: tuple[float, float]
    degree_mm: float
    sun_mm: float
    threshold: float
    caught: float
    shade: float
    hollows: float
    lee: float
    brush: float
    fresh_kg: float
    dry_kg: float
    wet_kg: float
    settle_days: float
    seed: int

    @classmethod
    def draw(cls, rng: np.random.Generator) -> DegreeDay:
        """Return constants within the ranges of the literature and beyond what any calibration assumes."""
        cold = rng.uniform(-1.5, 0.3)
        return cls(
            snow_rain=(cold, cold + rng.uniform(1.5, 4.0)), degree_mm=rng.uniform(1.0, 3.0),
            sun_mm=rng.uniform(1.2, 2.4), threshold=rng.uniform(-0.5, 0.8), caught=rng.uniform(0.1, 0.4),
            shade=rng.uniform(1.0, 2.2), hollows=rng.uniform(0.12, 0.32), lee=rng.uniform(0.05, 0.25),
            brush=rng.uniform(0.08, 0.22), fresh_kg=rng.uniform(70, 120), dry_kg=rng.uniform(300, 380),
            wet_kg=rng.uniform(460, 560), settle_days=rng.uniform(12, 35), seed=int(rng.integers(2**31)),
        )  # fmt: skip

    def march(self, points: Points, season: Season, pixel_m: float, wanted: Collection[int]) -> SnowRecord:
        """Return the season's snow on the points."""
        record = SnowRecord(points, wanted)
        count = len(points.elevation)
        pattern = self._pattern(points, season, pixel_m)
        swe, liquid, depth = (np.zeros(count, np.float32) for _ in range(3))
        albedo = np.full(count, 0.6, np.float32)
        height = (points.elevation - season.middle_m) / 1000.0
        own = np.zeros(count, np.float32)
        if points.pixels:
            warm = noise(np.random.default_rng(self.seed), points.shape, 9000.0 / pixel_m).ravel()
            own = (season.climate.warm_places * np.concatenate([warm, warm[points.site_pixels]])).astype(np.float32)
        shaded = np.exp(-self.shade * points.canopy)
        by_day = (season.temperature, season.lapse, season.pool, season.cloud)
        # Plain numbers, which leave fields of single precision what they are.
        temperature, lapse, pool, cloud = (season.by_day(values).mean(axis=1).tolist() for values in by_day)
        falls, storm_of = season.by_day(season.precipitation), season.by_day(season.storm_of)
        fields: dict[int, np.ndarray] = {}
        sun = np.zeros(count, np.float32)
        valley = np.exp(-np.clip(height - height.min(), 0, None) / 0.25)
        for day in range(len(season.days)):
            if day % SUN_DAYS == 0:
                direct, diffuse = sun_on(points, day + SUN_DAYS // 2, southern=season.southern).sum(axis=0)
            air = temperature[day] + lapse[day] * height + own - 0.5 * pool[day] * valley
            fall = np.zeros(count, np.float32)
            for part in np.flatnonzero(falls[day]):
                number = int(storm_of[day, part])
                if number not in fields:
                    fields = {number: storm_field(season.storms[number], season, points, pixel_m) * points.gain}
                fall += float(falls[day, part]) * fields[number]
            cold, warm_c = self.snow_rain
            frozen = np.clip((warm_c - air) / (warm_c - cold), 0, 1)
            snow = fall * frozen * pattern * (1 - self.caught * points.canopy)
            rain = fall * (1 - frozen)
            fresh = np.clip(self.fresh_kg * np.exp(0.06 * (air + 5)), 50, 220)
            swe += snow
            depth += snow / fresh
            albedo += (0.86 - albedo) * np.clip(snow / 6.0, 0, 1)
            sun = (direct * (1 - 0.9 * cloud[day]) + diffuse * (1 - 0.25 * cloud[day])) * shaded
            runs = self._thaw((swe, liquid, depth), (air, rain), (1 - albedo) * sun)
            wet = liquid > 0.02 * swe
            albedo = np.maximum(albedo - np.where(wet, 0.016, 0.007), 0.45 - 0.1 * points.canopy)
            self._settle(swe, depth, wet, points.settle)
            record.gained += snow + rain
            record.lost += runs
            record.keep(day, swe, depth, air, fall)
        record.at_end = swe
        return record

    def _thaw(
        self, snow: tuple[np.ndarray, ...], weather: tuple[np.ndarray, np.ndarray], absorbed: np.ndarray
    ) -> np.ndarray:
        """Let snow melt, freeze again, take up rain and run off for a day in place; return what runs off, mm.

        Parameters
        ----------
        snow : SWE and its liquid part, mm, and depth, m.
        weather : air temperature, C, and rain, mm.
        absorbed : sun that the snow takes up, MJ/m2.
        """
        (swe, liquid, depth), (air, rain) = snow, weather
        degrees = np.clip(air - self.threshold, 0, None)
        melt = self.degree_mm * degrees + self.sun_mm * absorbed * np.clip(degrees, 0, 1)
        before = swe - liquid
        melt = np.minimum(melt, before)
        depth *= np.where(before > 0, (before - melt) / np.maximum(before, 1e-6), 0)
        frost = np.minimum(liquid, 0.6 * np.clip(-air, 0, None))
        liquid += melt + rain - frost
        swe += rain
        runs = np.clip(liquid - 0.06 * (swe - liquid), 0, None)
        liquid -= runs
        swe -= runs
        bare = swe - liquid < 0.5
        runs += np.where(bare, swe, 0)
        swe[bare] = liquid[bare] = depth[bare] = 0
        return runs

    def _settle(self, swe: np.ndarray, depth: np.ndarray, wet: np.ndarray, settle: np.ndarray) -> None:
        """Let the snow settle for a day in place: towards what dry snow of its load or wet snow weighs."""
        there = depth > 0
        density = np.where(there, swe / np.maximum(depth, 1e-6), self.fresh_kg)
        most = np.where(wet, self.wet_kg, self.dry_kg + 0.06 * np.minimum(swe, 1200.0)) * np.sqrt(settle)
        pace = settle * np.where(wet, 2.0, 1.0) / self.settle_days
        denser = density + np.clip(most - density, 0, None) * (1 - np.exp(-pace * np.where(density < 150, 5, 1)))
        depth[there] = swe[there] / np.clip(denser[there], 50, 620)

    def _pattern(self, points: Points, season: Season, pixel_m: float) -> np.ndarray:
        """Return what points gather of a snowfall: hollows and lee slopes more, steep ground less; 1 on average."""
        wind = 2 * np.pi * float(np.argmax(season.climate.winds)) / WINDS
        facing = points.normal[0] * np.sin(wind) + points.normal[1] * np.cos(wind)
        open_ground = 1 - 0.7 * points.canopy
        log = self.hollows * np.clip(points.hollow, -2.5, 2.5) * open_ground
        log = log - self.lee * facing / 0.3 * open_ground - np.clip(points.slope_deg - 38, 0, None) / 10.0
        n = points.pixels
        if n:
            log[:n] += (
                self.brush * noise(np.random.default_rng(self.seed + 1), points.shape, 250.0 / pixel_m, 2.0).ravel()
            )
            return (np.exp(log) / np.exp(log[:n]).mean()).astype(np.float32)
        return np.exp(log).astype(np.float32)
