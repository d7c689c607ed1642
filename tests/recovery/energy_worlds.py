"""Snow by its energy balance: the second of the recovery trial's two physics, in steps of six hours.

One layer with cold content, liquid water and an ageing albedo under a surface whose temperature is solved for: sun on the slope,
long waves of sky and trees, turbulent heat and vapour by the wind, warm rain. Wind carries loose snow from exposed to sheltered
ground and packs it into slabs, steep slopes let go what they cannot hold, and cold air pools in valleys. Every constant is drawn
for the world.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy import ndimage
from world_places import Points, noise
from world_records import SnowRecord
from world_seasons import STEP_S, STEPS_A_DAY, WINDS, Season, storm_field, sun_on

SUN_DAYS = 12
"""The sun's path is taken anew this often."""

ICE, LIQUID, DEPTH, COLD, ALBEDO, LOOSE = range(6)
"""Rows of the state: mm, mm, m, mm of melt that it takes to warm it, 1, mm that wind can still carry."""

FUSION, VAPOUR, SIGMA = 334_000.0, 2.834e6, 5.67e-8
"""Heat of fusion and of sublimation, J/kg, and the constant of black bodies, W/(m2 K4)."""

SNOW_RAIN, CAUGHT, EXCHANGE, NEW_KG, SKIN = range(5)


@njit(cache=True)
def over_ice(celsius):
    """Return the vapour pressure over ice, Pa, from -50 to 0 C (Lowe 1977, J. Appl. Meteorol. 16, 100-103, from memory)."""
    t = celsius
    return 100.0 * (
        6.109177956
        + t * (5.034698970e-1 + t * (1.886013408e-2 + t * (4.176223716e-4 + t * (5.824720280e-6 + t * 4.838803174e-8))))
    )


@njit(cache=True, fastmath=True, error_model="numpy")
def step_snow(state, ground, weather, constants, balance):  # noqa: PLR0915  one long loop over what happens in six hours
    """March the state by six hours in place; add to gained and lost.

    Parameters
    ----------
    state : (6, points).
    ground : (6, points) canopy, sun that trees let through (1), exposure to wind, air temperature, precipitation, sun (MJ/m2).
    weather : cloud, humidity, wind (m/s).
    constants : as named by the module's indices.
    balance : (2, points) gained and lost, mm.
    """
    cloud, humidity, wind = weather
    for k in range(state.shape[1]):
        canopy, lit, exposed = ground[0, k], ground[1, k], ground[2, k]
        air, fall, sun = ground[3, k], ground[4, k], ground[5, k]
        if fall == 0.0 and state[ICE, k] + state[LIQUID, k] == 0.0:
            continue
        frozen = min(max((constants[SNOW_RAIN] + 1.0 - air) / 2.0, 0.0), 1.0)
        snow = fall * frozen * (1.0 - constants[CAUGHT] * canopy * (1.0 if air < -1.0 else 0.6))
        rain = fall * (1.0 - frozen)
        u = wind * exposed * (1.0 - 0.75 * canopy) + 0.3
        balance[0, k] += snow + rain
        if snow > 0.0:
            new = min(max(constants[NEW_KG] + 5.0 * (air + 5.0) + 7.0 * (u - 2.0), 50.0), 260.0)
            state[ICE, k] += snow
            state[DEPTH, k] += snow / new
            state[COLD, k] += snow * max(-air, 0.0) * 2100.0 / FUSION
            state[ALBEDO, k] += (0.87 - state[ALBEDO, k]) * min(snow / 7.0, 1.0)
            state[LOOSE, k] += snow
        ice = state[ICE, k]
        if ice + state[LIQUID, k] < 0.5:
            balance[1, k] += ice + state[LIQUID, k] + rain
            for row in range(state.shape[0]):
                state[row, k] = 0.6 if row == ALBEDO else 0.0
            continue
        kelvin = air + 273.15
        vapour = humidity * 611.0 * np.exp(17.27 * min(air, 35.0) / (air + 237.3))
        sky = min((0.56 + 0.067 * np.sqrt(vapour / 100.0)) * (1.0 + 0.22 * cloud * cloud), 1.0)
        trees = 0.85 * canopy
        long_in = SIGMA * ((1.0 - trees) * sky * kelvin**4 + trees * (kelvin + 1.0) ** 4)
        short = sun * lit * (1.0 - state[ALBEDO, k]) * 1e6 / STEP_S
        heat = 1200.0 * constants[EXCHANGE] * u
        moist = 0.622 / 80_000.0 * 1.1 * VAPOUR * constants[EXCHANGE] * u
        inner = max(-state[COLD, k] * FUSION / (2100.0 * max(ice, 5.0)), -25.0)
        through = constants[SKIN]
        skin = min(inner, air)
        for _ in range(3):
            at_skin = over_ice(skin)
            slope = at_skin * 22.46 * 272.6 / (skin + 272.6) ** 2
            warm = skin + 273.15
            # Over a surface colder than the air the layers hardly mix.
            calm = 1.0 / (1.0 + 0.15 * max(air - skin, 0.0) / max(u, 0.5))
            total = short + long_in - SIGMA * warm**4 + calm * (heat * (air - skin) + moist * (vapour - at_skin))
            total += through * (inner - skin)
            skin += total / (4.0 * SIGMA * warm**3 + calm * (heat + moist * slope) + through)
            skin = min(max(skin, -45.0), 0.0)
        at_skin = over_ice(skin)
        calm = 1.0 / (1.0 + 0.15 * max(air - skin, 0.0) / max(u, 0.5))
        latent = calm * moist * (vapour - at_skin)
        energy = short + long_in - SIGMA * (skin + 273.15) ** 4 + calm * heat * (air - skin) + latent
        if skin < 0.0:
            energy = through * (skin - inner)
        energy += 1.0
        sublimed = min(max(-latent * STEP_S / VAPOUR, -2.0), 0.2 * ice)
        change = (energy * STEP_S + rain * 4186.0 * max(air, 0.0)) / FUSION - state[COLD, k]
        state[ICE, k] -= sublimed
        state[LIQUID, k] += rain
        balance[1, k] += sublimed
        ice = state[ICE, k]
        melt = 0.0
        if change > 0.0:
            state[COLD, k] = 0.0
            melt = min(change, ice)
        else:
            frost = min(-change, state[LIQUID, k])
            state[LIQUID, k] -= frost
            state[ICE, k] += frost
            state[COLD, k] = min(-change - frost, ice * 2100.0 * 25.0 / FUSION)
        if ice > 0.0:
            state[DEPTH, k] *= max(ice - melt, 0.0) / (ice + max(sublimed, 0.0))
        state[ICE, k] -= melt
        state[LIQUID, k] += melt
        runs = max(state[LIQUID, k] - 0.05 * state[ICE, k], 0.0)
        state[LIQUID, k] -= runs
        balance[1, k] += runs
        wet = state[LIQUID, k] > 0.5
        state[ALBEDO, k] = max(state[ALBEDO, k] - (0.006 if wet else 0.0018), 0.46 - 0.12 * canopy)
        state[LOOSE, k] = 0.0 if wet else min(state[LOOSE, k] * 0.97, state[ICE, k])


@dataclass(frozen=True)
class Energy:
    """The constants of a world of energy balance.

    Parameters
    ----------
    constants : those of `step_snow`, by its indices.
    shade : extinction of sun by canopy.
    load, pack : share by which density grows in six hours under the load of 1 mm, and by the change of its grains.
    leans : logarithm by which a snowfall is the less, the more wind blows on a place.
    gale : wind above which loose snow is carried, m/s; `carried`, share of it that a m/s more carries in a step.
    slab_kg : density of what wind lays down, kg/m3.
    holds_mm : SWE that a slope of `lets_go_deg` still holds; steeper ones hold less.
    """

    constants: np.ndarray
    shade: float
    load: float
    pack: float
    leans: float
    gale: float
    carried: float
    slab_kg: float
    holds_mm: float
    lets_go_deg: float
    seed: int

    @classmethod
    def draw(cls, rng: np.random.Generator) -> Energy:
        """Return constants within what is physically possible."""
        constants = [
            rng.uniform(0.3, 1.8), rng.uniform(0.1, 0.4), rng.uniform(0.0014, 0.0026), rng.uniform(75, 115),
            rng.uniform(2.0, 4.5),
        ]  # fmt: skip
        return cls(
            np.array(constants), rng.uniform(1.2, 2.6), rng.uniform(0.005, 0.010), rng.uniform(0.008, 0.018),
            rng.uniform(0.3, 0.9), rng.uniform(3.5, 5.5), rng.uniform(0.03, 0.10), rng.uniform(320, 400),
            rng.uniform(300, 900), rng.uniform(33, 39), int(rng.integers(2**31)),
        )  # fmt: skip

    def march(self, points: Points, season: Season, pixel_m: float, wanted: Collection[int]) -> SnowRecord:
        """Return the season's snow on the points."""
        record = SnowRecord(points, wanted)
        count, n = len(points.elevation), points.pixels
        land = _Land.of(points, pixel_m, self.seed) if n else None
        state = np.zeros((6, count))
        state[ALBEDO] = 0.6
        record.moved |= {"wind": np.zeros(2), "slides": np.zeros(2)}
        balance = np.zeros((2, count))
        height = (points.elevation - season.middle_m) / 1000.0
        over_valley = np.zeros(count) + 150.0 if land is None else land.over_valley
        valley = np.exp(-over_valley / 120.0)
        own = np.zeros(count) if land is None else season.climate.warm_places * land.warm
        sheltered = np.full(count, 0.6)
        ground = np.zeros((6, count))
        ground[0], ground[1] = points.canopy, np.exp(-self.shade * points.canopy)
        field, at_storm = np.ones(count), -1
        for day in range(len(season.days)):
            if day % SUN_DAYS == 0:
                sun = sun_on(points, day + SUN_DAYS // 2, southern=season.southern)
            air_sum, fall_sum, snow = np.zeros(count), np.zeros(count), (np.zeros(count),) * 2
            for part in range(STEPS_A_DAY):
                step = day * STEPS_A_DAY + part
                storm, cloud = int(season.storm_of[step]), season.cloud[step]
                if storm >= 0 and storm != at_storm:
                    field, at_storm = storm_field(season.storms[storm], season, points, pixel_m) * points.gain, storm
                    if land is not None:
                        field[:n] *= np.exp(
                            self.leans * (1 - land.exposure[season.storms[storm].wind][:n]) * land.bare_of_trees
                        )
                air = season.temperature[step] + season.lapse[step] * height + own - season.pool[step] * valley
                ground[2] = sheltered if land is None else land.exposure[season.wind_from[step]]
                ground[3], ground[4] = air, season.precipitation[step] * field
                ground[5] = sun[part, 0] * (1 - 0.92 * cloud) + sun[part, 1] * (1 - 0.2 * cloud)
                weather = np.array([cloud, season.humidity[step], season.wind[step]])
                step_snow(state, ground, weather, self.constants, balance)
                if land is not None and season.wind[step] > self.gale:
                    record.moved["wind"] += self._blow(state, land, season.wind_from[step], season.wind[step], balance)
                air_sum += air / STEPS_A_DAY
                fall_sum += ground[4]
                if part == 1:
                    snow = state[ICE] + state[LIQUID], state[DEPTH].copy()
            self._settle(state, points.settle)
            if land is not None:
                record.moved["slides"] += self._slide(state, land, points, balance)
            record.keep(day, *snow, air_sum, fall_sum)
        record.gained, record.lost = balance
        record.at_end = state[ICE] + state[LIQUID]
        return record

    def _blow(self, state: np.ndarray, land: _Land, wind: int, speed: float, balance: np.ndarray) -> np.ndarray:
        """Carry loose snow from exposed to sheltered pixels in place; return what was laid down and taken, mm of all pixels."""
        n = land.pixels
        exposure = land.exposure[wind][:n]
        share = np.clip(self.carried * (speed * exposure - self.gale), 0, 0.8) * land.bare_of_trees
        taken = share * np.minimum(state[LOOSE, :n], 0.9 * state[ICE, :n])
        if taken.max() < 0.01:
            return np.zeros(2)
        swe = state[ICE, :n] + state[LIQUID, :n]
        density = np.where(state[DEPTH, :n] > 0, swe / np.maximum(state[DEPTH, :n], 1e-6), 200.0)
        room = np.exp(2.2 * (1 - exposure)) * np.exp(-state[DEPTH, :n] / 6.0)
        around = land.around(taken)
        given = room / np.maximum(land.around(room), 1e-9) * around
        # What the neighbourhood's mean loses at the edges is made good, so that nothing but the air's part is lost.
        kept = 0.9
        given *= kept * taken.sum() / max(given.sum(), 1e-9)
        before = state[ICE, :n].copy()
        state[DEPTH, :n] += given / self.slab_kg - taken / np.minimum(density, 250.0)
        state[DEPTH, :n] = np.maximum(state[DEPTH, :n], (swe - taken + given) / 620.0)
        state[ICE, :n] += given - taken
        state[LOOSE, :n] = np.maximum(state[LOOSE, :n] - taken, 0)
        balance[0, :n] += given
        balance[1, :n] += taken
        # Open sites feel half of what their pixel feels; clearings feel nothing.
        ratio = np.where(before > 1, state[ICE, :n] / np.maximum(before, 1), 1.0)[land.site_pixels]
        change = np.clip(ratio, 0.5, 1.5) ** np.where(land.open_sites, 0.5, 0.0) - 1
        moved = change * state[ICE, n:]
        state[DEPTH, n:] *= 1 + change
        state[ICE, n:] += moved
        balance[0, n:] += np.clip(moved, 0, None)
        balance[1, n:] += np.clip(-moved, 0, None)
        return np.array([given.sum(), taken.sum()])

    def _settle(self, state: np.ndarray, settle: np.ndarray) -> None:
        """Let the snow settle for a day in place: under its load, by the change of its grains, faster where it is wet."""
        there = np.flatnonzero(state[DEPTH] > 0)
        swe = state[ICE, there] + state[LIQUID, there]
        density = np.minimum(swe / state[DEPTH, there], 640.0)
        inner = np.maximum(-state[COLD, there] * FUSION / (2100.0 * np.maximum(state[ICE, there], 5.0)), -25.0)
        colder, wet = np.exp(0.07 * inner), state[LIQUID, there] > 0.5
        load = self.load * 0.5 * swe * colder * np.exp(-0.021 * density)
        ripe = self.pack * np.clip(1 - density / 540.0, 0, None) * np.where(wet, 3.0, 0.5 * colder)
        young = np.where(density < 150.0, 0.05 * colder, 0.0)
        denser = density * (1 + STEPS_A_DAY * settle[there] * (load + ripe + young))
        state[DEPTH, there] = swe / np.clip(denser, 50.0, 620.0)

    def _slide(self, state: np.ndarray, land: _Land, points: Points, balance: np.ndarray) -> np.ndarray:
        """Let steep pixels send down, in place, what they cannot hold; return what arrived and left, mm of all pixels."""
        steep = land.steep
        slope = points.slope_deg[steep]
        holds = self.holds_mm * np.exp(-(slope - self.lets_go_deg) / 10.0)
        excess = np.where(slope > self.lets_go_deg, np.clip(state[ICE, steep] - holds, 0, None), 0.0)
        if not excess.any():
            return np.zeros(2)
        share = excess / np.maximum(state[ICE, steep], 1e-6)
        state[DEPTH, steep] *= 1 - share
        state[ICE, steep] -= excess
        arrives = np.bincount(land.run_out, excess, minlength=land.pixels)
        # A slide spreads; what would pass the grid's edge comes back from it.
        arrives = ndimage.uniform_filter(arrives.reshape(land.shape), 5, mode="reflect").ravel()
        state[ICE, : land.pixels] += arrives
        state[DEPTH, : land.pixels] += arrives / 450.0
        balance[1, steep] += excess
        balance[0, : land.pixels] += arrives
        return np.array([arrives.sum(), excess.sum()])


@dataclass(frozen=True)
class _Land:
    """What the ground is to wind, slides and cold air.

    Parameters
    ----------
    exposure : (8, points) wind relative to free wind, by direction.
    over_valley : m above the lowest ground within 2 km, (points,).
    warm : places' own warmth, standard deviation 1, (points,).
    steep, run_out : numbers of the pixels that slides start from, and where each one's end.
    bare_of_trees : share of wind that trees leave on pixels.
    open_sites : sites above or without trees.
    """

    shape: tuple[int, int]
    exposure: np.ndarray
    over_valley: np.ndarray
    warm: np.ndarray
    steep: np.ndarray
    run_out: np.ndarray
    bare_of_trees: np.ndarray
    open_sites: np.ndarray
    site_pixels: np.ndarray
    reach: int

    @property
    def pixels(self) -> int:
        return self.shape[0] * self.shape[1]

    def around(self, values: np.ndarray) -> np.ndarray:
        """Return the means of values on pixels over what wind carries across."""
        return ndimage.uniform_filter(values.reshape(self.shape), self.reach, mode="nearest").ravel()

    @classmethod
    def of(cls, points: Points, pixel_m: float, seed: int) -> _Land:
        n, shape, at = points.pixels, points.shape, points.site_pixels
        elevation = points.elevation[:n].reshape(shape)
        canopy = points.canopy[:n]
        exposure = np.stack([_exposure(elevation, wind, pixel_m).ravel() for wind in range(WINDS)])
        lowest = ndimage.minimum_filter(elevation, int(4000 / pixel_m) | 1)
        lowest = ndimage.uniform_filter(lowest, int(2000 / pixel_m) | 1)
        over = np.clip(elevation - lowest, 0, None).ravel()
        warm = noise(np.random.default_rng(seed), shape, 9000.0 / pixel_m).ravel()
        steep = np.flatnonzero(points.slope_deg[:n] > 30)
        return cls(
            shape, np.concatenate([exposure, 0.7 * exposure[:, at]], axis=1), np.concatenate([over, over[at]]),
            np.concatenate([warm, warm[at]]), steep, _run_out(elevation, points.slope_deg[:n], steep, pixel_m),
            (1 - canopy) ** 3, points.canopy[n:] < 0.02, at, int(800 / pixel_m) | 1,
        )  # fmt: skip


def _exposure(elevation: np.ndarray, wind: int, pixel_m: float) -> np.ndarray:
    """Return wind relative to free wind: less behind ground that rises upwind, more on crests; 0.2 to 1.6."""
    bearing, rise = 2 * np.pi * wind / WINDS, np.full(elevation.shape, -np.inf)
    for distance in (150.0, 300.0, 600.0):
        away = max(distance / pixel_m, 1.0)
        there = ndimage.shift(elevation, (np.cos(bearing) * away, -np.sin(bearing) * away), order=1, mode="nearest")
        rise = np.maximum(rise, (there - elevation) / (away * pixel_m))
    return np.clip(1.0 - 1.6 * rise, 0.2, 1.6)


def _run_out(elevation: np.ndarray, slope_deg: np.ndarray, steep: np.ndarray, pixel_m: float) -> np.ndarray:
    """Return the pixel at which a slide from each steep pixel ends: down the steepest way to ground of less than 20 degrees."""
    rows, columns = elevation.shape
    padded = np.pad(elevation, 1, constant_values=np.inf)
    best, lower = np.zeros(elevation.shape), np.arange(elevation.size).reshape(elevation.shape)
    for down in (-1, 0, 1):
        for along in (-1, 0, 1):
            if down or along:
                there = padded[1 + down : 1 + down + rows, 1 + along : 1 + along + columns]
                drop = (elevation - there) / np.hypot(down, along)
                number = np.arange(elevation.size).reshape(elevation.shape) + down * columns + along
                lower = np.where(drop > best, number, lower)
                best = np.maximum(best, drop)
    lower, at = lower.ravel(), steep.copy()
    for _ in range(int(1200 / pixel_m)):
        at = np.where(slope_deg[at] > 20, lower[at], at)
    return at
