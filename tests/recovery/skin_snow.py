"""A snowpack whose surface must be at the melting point to melt: the physics of the melt trial's second kind of truth.

The skin's temperature is solved for in each six-hour step from sun, long waves, warm air at the step's wind, moist air, and the
heat that the pack below conducts; only what is over once the skin stands at 0 C melts. State, weather and ground are those of
`world_snow.march`, in whose place it stands.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange

SECONDS = 21_600.0
SIGMA = 5.67e-8
ICE_MJ_K, FUSION_MJ = 2.1e-3, 0.334
OLD_ALBEDO = 0.48


@njit(parallel=True, cache=False)
def march(  # noqa: C901, PLR0912, PLR0915  one long loop over what happens in six hours
    state: np.ndarray, ground: np.ndarray, storm: np.ndarray, sun: np.ndarray, air: np.ndarray
) -> None:
    """March snowpacks over one step in place; arguments as `world_snow.march` has them."""
    for i in prange(state.shape[1]):
        canopy = ground[1, i]
        temperature = air[0] + air[1] * (ground[0, i] - 2000.0) / 1000.0
        top, base, top_h, base_h = state[0, i], state[1, i], state[2, i], state[3, i]
        liquid, cold, albedo = state[4, i], state[5, i], state[6, i]
        fall = air[2] * storm[0, i]
        frozen = 1.0 / (1.0 + np.exp(1.6 * (temperature - 1.1)))
        snow = fall * frozen * storm[1, i] * (1.0 - 0.3 * canopy)
        rain = fall * (1.0 - frozen)
        if snow > 0.0:
            top += snow
            top_h += snow / (75.0 + 4.0 * max(0.0, temperature + 15.0))
            cold += snow * ICE_MJ_K / FUSION_MJ * max(0.0, -temperature)
            albedo += (0.85 - albedo) * (1.0 - np.exp(-snow / 5.0))
        swe = top + base
        if swe < 0.3:
            for row in range(8):
                state[row, i] = 0.0
            state[6, i] = OLD_ALBEDO
            continue
        shine = (sun[0, i] * air[6] * np.exp(-1.7 * canopy) + sun[1, i] * air[7] * (1.0 - 0.6 * canopy)) * (
            1.0 - albedo
        )
        absorbed = shine * 1e6 / SECONDS
        kelvin = 273.15 + temperature
        vapour = 6.11 * np.exp(17.3 * (temperature - air[3]) / (237.3 + temperature - air[3]))
        sky = 1.24 * (vapour / kelvin) ** (1.0 / 7.0) * (1.0 + 0.2 * air[4] ** 2)
        seen = min(sky, 1.0) * (1.0 - 0.65 * canopy) + 0.97 * 0.65 * canopy
        incoming = seen * SIGMA * kelvin**4
        exchange = 1.6 + 1.5 * air[5] * (1.0 - 0.75 * canopy)
        pack = -cold * FUSION_MJ / (ICE_MJ_K * swe)
        conduct = 2.5
        skin = min(temperature, 0.0)
        for _ in range(6):
            surplus = absorbed + incoming - SIGMA * (273.15 + skin) ** 4 + exchange * (temperature - skin)
            moist = 6.11 * np.exp(22.5 * skin / (272.6 + skin))
            surplus += 1.1 * exchange * (vapour - moist) + conduct * (pack - skin)
            slope = 4.0 * SIGMA * (273.15 + skin) ** 3 + exchange * (1.0 + 1.1 * 0.45) + conduct
            skin += surplus / slope
        if skin > 0.0:
            surplus = absorbed + incoming - SIGMA * 273.15**4 + exchange * temperature
            surplus += 1.1 * exchange * (vapour - 6.11)
            cold -= (surplus * SECONDS * 1e-6 + 0.0042 * rain * max(temperature, 0.0)) / FUSION_MJ
        else:
            # In six hours a thin skin of the pack follows; deeper snow takes days.
            cold += conduct * (pack - skin) * SECONDS * 1e-6 / FUSION_MJ
        melt = 0.0
        if cold < 0.0:
            melt, cold = min(-cold, swe), 0.0
        if melt > 0.0:
            from_top = min(melt, top)
            if top > 0.0:
                top_h *= 1.0 - from_top / top
            top -= from_top
            rest = min(melt - from_top, base)
            if base > 0.0:
                base_h *= 1.0 - rest / base
            base -= rest
            albedo = OLD_ALBEDO + (albedo - OLD_ALBEDO) * np.exp(-0.012 * melt - 0.03)
        else:
            albedo = max(OLD_ALBEDO, albedo - 0.004)
        liquid += melt + rain
        again = min(liquid, cold)
        liquid, cold, base = liquid - again, cold - again, base + again
        base_h += again / 400.0
        liquid = min(liquid, 0.04 * (top + base))
        wet = 1.6 if liquid > 0.01 * (top + base) else 1.0
        if top > 0.0:
            top_h = max(top_h * (1.0 - 0.02 * wet / ground[2, i]), top / 350.0)
            base, base_h, top, top_h = base + 0.02 * top, base_h + 0.02 * top_h, 0.98 * top, 0.98 * top_h
        if base > 0.0:
            base_h = max(base_h * (1.0 - 0.0016 * wet * (1.0 + (top + base) / 500.0) / ground[2, i]), base / 520.0)
        state[0, i], state[1, i], state[2, i], state[3, i] = top, base, top_h, base_h
        state[4, i], state[5, i], state[6, i] = liquid, cold, albedo
