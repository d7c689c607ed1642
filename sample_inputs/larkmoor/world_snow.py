"""The invented snow: storms lay it down, wind moves it, steep slopes shed it, sun and warm air take it away.

Two layers a pixel, cold content, liquid water, ageing albedo and snow held in the canopy, marched in six-hour steps. None
of it is the pipeline's own snow accounting: the pipeline must find this snow from what was measured.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numba import njit, prange
from scipy import ndimage
from world_terrain import PIXEL_M, Ground, Lattice, random_field
from world_weather import (
    REFERENCE_M,
    STEP_HOURS,
    STEPS_A_DAY,
    WINDS,
    Season,
    Storm,
    beam_and_diffuse,
    clear_sky,
    sun_vectors,
)

SUN_BLOCK_DAYS = 10
"""The sun's path is taken anew this often; between, it moves by less than 4 degrees."""
DRIFT_REACH = 31
"""Width in pixels (620 m) of the neighbourhood within which wind carries snow from exposed to sheltered ground."""

SITE_DRIFT = 0.7
"""Sites stand in clearings that were chosen because wind leaves them alone: they feel this power of their cell's drifting."""

LAYERS = ("top_swe", "base_swe", "top_depth", "base_depth", "liquid", "cold", "albedo", "held")
"""Rows of a snowpack's state array: mm, mm, m, m, mm, mm of melt it would take to warm it, 1, mm on branches."""
TOP_SWE, BASE_SWE, TOP_DEPTH, BASE_DEPTH, LIQUID, COLD, ALBEDO, HELD = range(8)


@dataclass(frozen=True)
class Exposure:
    """What of the ground decides the snow's fate, all on the lattice of the snow (float32).

    Attributes
    ----------
    lattice : the pixels.
    elevation : m.
    canopy : 0..1.
    rock : bool, no snow stays.
    normal : (3, row, column) unit vector out of the ground: east, north, up.
    shelter : (wind, row, column), -1 most exposed .. 1 most sheltered.
    windward : (wind, row, column), broad rise of the ground along the wind, about -1..1.
    catch : persistent small-scale gain of settling snow (sub-pixel ground, brush, slough), mean 1.
    stiffness : persistent variety of the snow's resistance to settling, mean 1.
    """

    lattice: Lattice
    elevation: np.ndarray
    canopy: np.ndarray
    rock: np.ndarray
    normal: np.ndarray
    shelter: np.ndarray
    windward: np.ndarray
    catch: np.ndarray
    stiffness: np.ndarray


@dataclass
class SitePoints:
    """The measuring sites as points of their own in the same weather.

    Attributes
    ----------
    windows : for each site the rows and columns of its 100 m cell on the snow's lattice.
    elevation : m.
    canopy : 0..1 over the clearing.
    offset : accumulation relative to the mean of the cell.
    state : (8, site) snowpack.
    history : per step (8, site) states after it, filled while marching.
    fallen : per step, mm of precipitation at each site.
    """

    windows: list[tuple[slice, slice]]
    elevation: np.ndarray
    canopy: np.ndarray
    offset: np.ndarray
    state: np.ndarray = field(default_factory=lambda: np.zeros((8, 0), np.float32))
    history: list[np.ndarray] = field(default_factory=list)
    fallen: list[np.ndarray] = field(default_factory=list)

    def mean_of(self, values: np.ndarray) -> np.ndarray:
        """Return the mean of a field over each site's cell."""
        return np.array([values[window].mean() for window in self.windows], np.float32)


def box_mean(values: np.ndarray, width: int) -> np.ndarray:
    """Return the mean over a square neighbourhood of `width` pixels."""
    return ndimage.uniform_filter(values, width, mode="nearest")


def room_left(depth: np.ndarray) -> np.ndarray:
    """Return how willingly a place takes drifting snow (1..0): a hollow with some 5 m (depth, m) is as good as filled."""
    return 1.0 / (1.0 + (depth / 4.5) ** 4)


def upwind_shelter(elevation: np.ndarray, wind: int, reach_m: float) -> np.ndarray:
    """Return the steepest rise of the ground upwind, degrees: negative on ground that stands out into the wind.

    Parameters
    ----------
    elevation : m, on 20 m pixels.
    wind : where it comes from.
    reach_m : how far upwind to look.
    """
    bearing = np.radians(45.0 * wind)
    best = np.full(elevation.shape, -90.0, np.float32)
    distance = 1.5 * PIXEL_M
    while distance <= reach_m:
        rows = round(-np.cos(bearing) * distance / PIXEL_M)
        columns = round(np.sin(bearing) * distance / PIXEL_M)
        length = np.hypot(rows, columns) * PIXEL_M
        seen = np.roll(elevation, (-rows, -columns), axis=(0, 1))
        np.maximum(best, np.degrees(np.arctan((seen - elevation) / length)), out=best)
        distance *= 1.35
    return best


def shed_snow(elevation: np.ndarray) -> np.ndarray:
    """Return the gain or loss by snow sliding off steep ground and coming to rest below, mean about 1.

    Each pixel keeps a share by its slope and passes the rest to its lowest neighbour, for some steps.
    """
    south, east = np.gradient(elevation, PIXEL_M)
    steep = np.degrees(np.arctan(np.hypot(south, east)))
    kept = np.clip(1.0 - (steep - 36.0) / 22.0, 0.25, 1.0)
    rows, columns = elevation.shape
    index = np.arange(elevation.size).reshape(elevation.shape)
    lowest, target = elevation.copy(), index.copy()
    for dr in (-1, 0, 1):
        for dc in (-1, 0, 1):
            near = np.roll(elevation, (-dr, -dc), axis=(0, 1))
            lower = near < lowest
            lowest[lower] = near[lower]
            target[lower] = np.roll(index, (-dr, -dc), axis=(0, 1))[lower]
    moving = np.ones(elevation.size)
    resting = np.zeros(elevation.size)
    for _ in range(12):
        resting += moving * kept.ravel()
        moving = np.bincount(target.ravel(), moving * (1 - kept.ravel()), minlength=elevation.size)
    return (resting + moving).reshape(rows, columns).astype(np.float32)


def expose(ground: Ground, window: tuple[slice, slice], seed: np.random.SeedSequence) -> Exposure:
    """Return the ground's exposure within a window of its lattice."""
    rng = np.random.default_rng(seed)
    pad = 60  # pixels of ground around the window, so that shelter and slopes at its edge see what is there
    rows, columns = window
    top, left = max(0, rows.start - pad), max(0, columns.start - pad)
    wide = (slice(top, rows.stop + pad), slice(left, columns.stop + pad))
    inner = (slice(rows.start - top, rows.stop - top), slice(columns.start - left, columns.stop - left))
    elevation = ground.elevation[wide].astype(np.float32)
    south, east = np.gradient(elevation, PIXEL_M)
    up = 1.0 / np.sqrt(1.0 + south**2 + east**2)
    normal = np.stack([-east * up, south * up, up]).astype(np.float32)
    broad = ndimage.gaussian_filter(elevation, 1500 / PIXEL_M)
    broad_south, broad_east = np.gradient(broad, PIXEL_M)
    shelter, windward = [], []
    open_ground = 1.0 - 0.8 * np.clip(ground.canopy[wide] / 0.5, 0, 1)
    for wind in range(len(WINDS)):
        bearing = np.radians(45.0 * wind)
        near = upwind_shelter(elevation, wind, 320.0) - 4.0
        far = upwind_shelter(elevation, wind, 1000.0) - 8.0
        shelter.append((np.tanh(0.65 * near / 14.0 + 0.45 * far / 14.0) * open_ground)[inner].astype(np.float32))
        # Air moves against the bearing it comes from; ground that rises that way wrings the cloud.
        rise = -(broad_east * np.sin(bearing) - broad_south * np.cos(bearing))
        windward.append(np.tanh(rise / 0.15)[inner].astype(np.float32))
    shape = elevation[inner].shape
    brush = 0.22 * random_field(rng, shape, PIXEL_M, 25.0) + 0.14 * random_field(rng, shape, PIXEL_M, 140.0)
    brush += 0.10 * random_field(rng, shape, PIXEL_M, 500.0)
    catch = (
        np.exp(brush) * np.minimum(shed_snow(elevation), 3.0)[inner] ** 0.4
    )  # no gully holds more than it has room for
    return Exposure(
        ground.lattice.cut(window),
        elevation[inner],
        ground.canopy[window],
        ground.rock[window],
        normal[(slice(None), *inner)],
        np.stack(shelter),
        np.stack(windward),
        catch.astype(np.float32),
        np.exp(
            0.16 * random_field(rng, shape, PIXEL_M, 350.0) + 0.1 * random_field(rng, shape, PIXEL_M, 2500.0)
        ).astype(np.float32),
    )


def sun_on_slopes(exposure: Exposure, day_of_year: int) -> list[tuple[np.ndarray, np.ndarray] | None]:
    """Return for each step of a clear day the direct and diffuse energy on the slopes, MJ/m2; None for a dark step."""
    out: list[tuple[np.ndarray, np.ndarray] | None] = []
    for part in range(STEPS_A_DAY):
        vectors = sun_vectors(day_of_year, part * STEP_HOURS, (part + 1) * STEP_HOURS)
        if not vectors:
            out.append(None)
            continue
        direct = np.zeros(exposure.elevation.shape, np.float32)
        sky = 0.0
        for east, north, up in vectors:
            beam, diffuse = clear_sky(up)
            lit = exposure.normal[0] * np.float32(east) + exposure.normal[1] * np.float32(north)
            lit += exposure.normal[2] * np.float32(up)
            direct += np.float32(beam * 3600e-6) * np.clip(lit, 0, None)
            sky += diffuse * 3600e-6
        out.append((direct, (np.float32(sky) * (0.5 + 0.5 * exposure.normal[2])).astype(np.float32)))
    return out


def storm_fields(exposure: Exposure, storm: Storm, depth: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return a storm's precipitation relative to the reference, and how its snow settles relative to what falls.

    Settling moves snow within a neighbourhood and keeps its sum; hollows that are full (depth in m) take no more.
    """
    rng = np.random.default_rng(storm.seed)
    shape = exposure.elevation.shape
    coarse = 10
    small = (shape[0] // coarse + 2, shape[1] // coarse + 2)
    patch = 0.42 * random_field(rng, small, PIXEL_M * coarse, 5000.0) + 0.20 * random_field(
        rng, small, PIXEL_M * coarse, 1500.0
    )
    patch = ndimage.zoom(patch, coarse, order=1)[: shape[0], : shape[1]]
    lift = storm.gain * (exposure.elevation - REFERENCE_M) / 1000.0 + 0.16 * exposure.windward[storm.wind]
    fall = np.exp(lift + patch).astype(np.float32)
    settle = np.exp(1.9 * storm.drifting * exposure.shelter[storm.wind]) * exposure.catch
    settle *= room_left(depth)
    settle /= box_mean(settle, DRIFT_REACH)
    settle[exposure.rock] = 0.0
    return fall, settle.astype(np.float32)


@njit(parallel=True, cache=False)
def march(
    state: np.ndarray,
    ground: np.ndarray,
    storm: np.ndarray,
    sun: np.ndarray,
    air: np.ndarray,
) -> None:
    """March snowpacks over one step in place.

    Parameters
    ----------
    state : (8, pixel), see LAYERS.
    ground : (4, pixel): elevation (m), canopy, stiffness, rock (1 where no snow stays).
    storm : (2, pixel): precipitation relative to the reference, settling relative to the fall.
    sun : (2, pixel): clear-sky direct and diffuse energy, MJ/m2.
    air : temperature (deg C) at the reference, lapse (K/km), precipitation (mm), wet deficit (K), cloud, wind (m/s),
        beam factor, diffuse factor.
    """
    for i in prange(state.shape[1]):
        if ground[3, i] > 0:
            continue
        canopy = ground[1, i]
        temperature = air[0] + air[1] * (ground[0, i] - 2000.0) / 1000.0
        top, base, top_h, base_h = state[0, i], state[1, i], state[2, i], state[3, i]
        liquid, cold, albedo, held = state[4, i], state[5, i], state[6, i], state[7, i]
        fall = air[2] * storm[0, i]
        frozen = min(1.0, max(0.0, (1.6 - (temperature - air[3])) / 2.4))
        snow = fall * frozen
        rain = fall - snow
        # Branches catch snow until they are full; it blows off, slides off when warm, and evaporates when dry.
        caught = min(0.62 * canopy * snow, max(0.0, 11.0 * canopy - held))
        held += caught
        vapour = held * (0.035 if fall < 0.1 else 0.003)
        thrown = (held - vapour) * (0.35 if temperature > 0.5 else 0.05)
        held -= vapour + thrown
        snow = (snow - caught) * storm[1, i] + thrown
        if snow > 0.0:
            dense = 62.0 + 4.6 * max(0.0, temperature + 16.0) + 4.0 * air[5] * (1.0 - canopy)
            top += snow
            top_h += snow / dense
            cold += snow * 0.0063 * max(0.0, -temperature)
            albedo += (0.86 - albedo) * min(1.0, snow / 9.0)
        swe = top + base
        if swe <= 0.0:
            state[7, i] = held
            continue
        # Energy of the step, MJ/m2: sun, long waves from sky and trees, warm air, rain.
        surface = min(0.0, temperature - 1.5)
        shine = (sun[0, i] * air[6] * (1.0 - 0.8 * canopy) + sun[1, i] * air[7] * (1.0 - 0.65 * canopy)) * (
            1.0 - albedo
        )
        sky = 0.74 + 0.24 * air[4]
        sky += (0.99 - sky) * 0.75 * canopy
        waves = sky * (315.6 + 4.62 * temperature) - (315.6 + 4.62 * surface)
        touch = (2.2 + 1.25 * air[5]) * (1.0 - 0.7 * canopy) * (temperature - surface)
        energy = shine + (waves + touch) * 0.0216 + 0.0042 * rain * max(temperature, 0.0)
        # Thin snow lets light through to the ground and lies beside warm bare patches.
        if swe < 60.0:
            energy += 0.25 * shine * (1.0 - swe / 60.0)
        cold -= energy / 0.334
        melt = 0.0
        if cold < 0.0:
            melt = min(-cold, swe - liquid)
            cold = 0.0
        cold = min(cold, 1.5 + 0.035 * swe)
        if melt > 0.0 or rain > 0.0:
            dense_top = top / top_h if top_h > 0.0 else 0.0
            from_top = min(melt, top)
            if from_top > 0.0:
                top_h -= from_top / dense_top
                top -= from_top
            rest = melt - from_top
            if rest > 0.0 and base > 0.0:
                rest = min(rest, base)
                base_h -= base_h * rest / base
                base -= rest
            liquid += melt + rain
            albedo -= (albedo - 0.46) * min(1.0, 0.02 * melt)
        else:
            albedo -= 0.0035 * (1.0 if temperature < -5.0 else 2.2)
        albedo = max(0.46, albedo)
        ice = top + base
        # Meltwater refreezes against cold content and is held up to a share of the ice. `top` and `base` are ice here.
        if liquid > 0.0:
            frozen_again = min(liquid, cold)
            cold -= frozen_again
            base += frozen_again
            liquid -= frozen_again
            if base_h <= 0.0 and frozen_again > 0.0:
                base_h = base / 300.0
            liquid = min(liquid, 0.045 * (ice + frozen_again))
        if top < 0.01:
            top, top_h = 0.0, 0.0
        if base < 0.01:
            base, base_h = 0.0, 0.0
        if top + base < 0.3:
            top, base, top_h, base_h, liquid, cold, albedo = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.46
        # Settling: own weight against a stiffness that grows with density and cold; wet snow gives way sooner.
        wet = 1.0 + 0.8 * min(1.0, liquid / (0.02 * (top + base) + 0.1))
        frost = np.exp(0.032 * min(0.0, surface))
        if top > 0.0:
            dense = top / top_h
            rate = 0.11 * np.exp(-dense / 75.0) + 0.0022 * (top * 0.5 + 4.0) * np.exp(-dense / 62.0)
            top_h *= 1.0 - min(0.3, rate * frost * wet / ground[2, i])
            passed = 0.022
            base += top * passed
            base_h += top_h * passed
            top -= top * passed
            top_h -= top_h * passed
        if base > 0.0:
            dense = base / base_h
            rate = 0.0008 * (top + base * 0.5 + 30.0) * np.exp(-dense / 60.0)
            # Shallow cold snow turns to brittle large grains that hardly settle.
            if base_h + top_h < 0.9 and temperature < -6.0:
                rate *= 0.35
            base_h *= 1.0 - min(0.2, rate * frost * wet / ground[2, i])
            if wet > 1.2 and base / base_h < 480.0:
                base_h *= 0.9992
            base_h = max(base_h, base / 550.0)
        state[0, i], state[1, i], state[2, i], state[3, i] = top, base, top_h, base_h
        state[4, i], state[5, i], state[6, i], state[7, i] = liquid, cold, albedo, held


def swe_of(state: np.ndarray) -> np.ndarray:
    """Return the snow water equivalent of a state, mm: ice of both layers and the liquid held."""
    return state[TOP_SWE] + state[BASE_SWE] + state[LIQUID]


def depth_of(state: np.ndarray) -> np.ndarray:
    """Return the snow depth of a state, m."""
    return state[TOP_DEPTH] + state[BASE_DEPTH]


def blow(exposure: Exposure, state: np.ndarray, wind: int, share: float, temperature: np.ndarray) -> np.ndarray:
    """Move loose snow from exposed to sheltered ground in place; return the relative change of the top layer.

    Parameters
    ----------
    exposure : the ground.
    state : (8, row, column).
    wind : where it comes from.
    share : of the loose snow moved where the ground is most exposed.
    temperature : deg C by pixel; snow near melting sticks.
    """
    shelter = exposure.shelter[wind]
    loose = np.clip(state[TOP_SWE] - 4.0 - 60.0 * exposure.canopy, 0, None)
    loose *= np.clip((0.5 - temperature) / 3.0, 0, 1) * (state[LIQUID] < 0.5)
    taken = loose * share * np.clip(0.25 - shelter, 0, 1)
    room = np.clip(shelter - 0.15, 0, None) ** 1.5 * exposure.catch * room_left(depth_of(state)) + 0.01
    room[exposure.rock] = 0.0
    given = 0.87 * box_mean(taken, DRIFT_REACH) * room / np.maximum(box_mean(room, DRIFT_REACH), 1e-3)
    before = state[TOP_SWE]
    dense = np.where(state[TOP_DEPTH] > 0, before / np.maximum(state[TOP_DEPTH], 1e-6), 250.0)
    after = before - taken + given
    state[TOP_DEPTH] = np.where(before > 0, (before - taken) / np.maximum(dense, 40.0), 0.0) + given / 270.0
    change = np.where(before > 0, after / np.maximum(before, 1e-6), 1.0)
    state[TOP_SWE] = after
    return change.astype(np.float32)


def simulate(
    exposure: Exposure,
    season: Season,
    sites: SitePoints,
    report: Callable[[int, int, np.ndarray], None],
) -> None:
    """March the whole season over every pixel and every site.

    Parameters
    ----------
    exposure : the ground.
    season : the weather.
    sites : the measuring points; their histories are filled.
    report : called as report(day number, step of the day, state (8, row, column)) after each step; it must not change it.
    """
    shape = exposure.elevation.shape
    state = np.zeros((8, *shape), np.float32)
    state[ALBEDO] = 0.46
    flat = state.reshape(8, -1)
    ground = (
        np.stack([exposure.elevation, exposure.canopy, exposure.stiffness, exposure.rock.astype(np.float32)])
        .reshape(4, -1)
        .astype(np.float32)
    )
    sites.state = np.zeros((8, len(sites.windows)), np.float32)
    sites.state[ALBEDO] = 0.46
    site_ground = np.stack(
        [sites.elevation, sites.canopy, sites.mean_of(exposure.stiffness), np.zeros(len(sites.windows))]
    ).astype(np.float32)
    calm = np.ones((2, flat.shape[1]), np.float32)
    site_calm = np.ones((2, len(sites.windows)), np.float32)
    dark, site_dark = np.zeros_like(calm), np.zeros_like(site_calm)
    fields, site_fields, at_storm = calm, site_calm, -1
    for day, date in enumerate(season.days):
        if day % SUN_BLOCK_DAYS == 0:
            middle = (date.day_of_year + SUN_BLOCK_DAYS // 2 - 1) % 365 + 1
            parts = sun_on_slopes(exposure, middle)
            suns = [dark if part is None else np.stack(part).reshape(2, -1) for part in parts]
            site_suns = [site_dark if part is None else np.stack([sites.mean_of(p) for p in part]) for part in parts]
        for part in range(STEPS_A_DAY):
            step = day * STEPS_A_DAY + part
            storm = season.storm_of[step]
            if storm >= 0 and storm != at_storm:
                fall, settle = storm_fields(exposure, season.storms[storm], depth_of(state))
                fields = np.stack([fall, settle]).reshape(2, -1)
                site_fields = np.stack([sites.mean_of(fall), sites.mean_of(settle) * sites.offset]).astype(np.float32)
                at_storm = storm
            air = np.array(
                [
                    season.temperature[step],
                    season.lapse[step],
                    season.precipitation[step],
                    season.wet_deficit[step],
                    season.cloud[step],
                    season.wind[step],
                    *beam_and_diffuse(season.cloud[step]),
                ],
                np.float32,
            )
            raining = storm >= 0
            march(flat, ground, fields if raining else calm, suns[part], air)
            march(sites.state, site_ground, site_fields if raining else site_calm, site_suns[part], air)
            sites.fallen.append(season.precipitation[step] * (site_fields[0] if raining else 0.0 * site_fields[0]))
            if step in season.drift_steps:
                warmth = air[0] + air[1] * (exposure.elevation - REFERENCE_M) / 1000.0
                before = sites.mean_of(state[TOP_SWE])
                blow(exposure, state, season.wind_from[step], season.drift_steps[step], warmth)
                change = np.where(before > 0.5, sites.mean_of(state[TOP_SWE]) / np.maximum(before, 0.5), 1.0)
                sites.state[[TOP_SWE, TOP_DEPTH]] *= np.clip(change, 0.2, 3.0) ** SITE_DRIFT
            sites.history.append(sites.state.copy())
            report(day, part, state)
