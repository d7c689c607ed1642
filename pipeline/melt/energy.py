"""The energy that snow takes up in a day, and what of it melts: sun, long waves, warm air, cold content, refreezing.

A day has two parts, with the sun up and without: at night snow loses heat that the next day must make good before anything
melts.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit
from scipy import constants
from scipy.constants import Stefan_Boltzmann, mega, zero_Celsius

from snowtally.melt.albedo import AGEING, RENEWING_MM, aged, over_ground, renewed
from snowtally.snow.forcing import SNOW_RAIN_C

FUSION_MJ_KG = 0.334
"""Latent heat of fusion: 1 MJ/m2 melts 2.994 mm of ripe snow (handbook constant)."""

COLD_MM_PER_MM_K = 0.0063
"""Cold content of snow in mm of melt per mm of SWE and degree below freezing: 2.1 kJ/(kg K) over 334 kJ/kg."""

DAY_MJ = constants.day / mega
"""A watt's energy of a day, MJ."""

TURBULENT_W_M2_K = 5.0
"""Sensible heat from air to snow per degree, W/(m2 K): bulk transfer at 2 to 3 m/s gives 4 to 8 (common practice, no source)."""

HUMIDITY = 0.7
"""Relative humidity of mountain air over snow, mean of the day (common practice, no source)."""
MOIST_K_HPA = 1.5
"""Latent heat goes with the difference of vapour pressure as sensible heat goes with that of temperature, over the psychrometric
constant, 0.66 hPa/K."""

PACK_SHARE = 0.3
"""Share of a loss that the snowpack itself pays: its surface cools until it sends out less. Conductance of a decimetre of old
snow, 3 W/(m2 K), against that and the 4.6 of long waves with the 4 of air (from these figures, no source)."""

COLDER_K = 3.0
"""Snow is so much colder than the air on the mean of days, since it shines into a clear sky at night (common practice, no
source)."""

COLDEST_C = -15.0
"""Snow is no colder than this on the mean of its depth (common practice, no source)."""

HELD_WATER, HELD_WATER_MM = 0.03, 6.0
"""Liquid that can freeze in a night: 3 % of SWE, and no more than a crust of some centimetres (common practice, no source)."""

AROUND = 0.5
"""Share of its sun that ground around sends on, snow and rock and wood together (common practice, no source)."""

HIGH_SUN = 0.72
"""Share of a day's sun that comes in the middle half of its sunlit hours: 0.71 where it goes as the sine, 0.75 in thin air (with 0.707
the demo's melt of ten cold days is 5 % less)."""


class ClosedCanopy(NamedTuple):
    """What a closed canopy keeps from the snow.

    Shares of the sun, of the sky and of the air's movement; and the trees' emissivity.
    """

    sun: float
    sky: float
    air: float
    emissivity: float


CLOSED_CANOPY = ClosedCanopy(sun=0.75, sky=0.7, air=0.6, emissivity=0.98)
"""Trees at air temperature shine in place of the sky that they hide (common practice, no source; stations' losses tune what comes of it)."""


SNOW_C, RAIN_C = SNOW_RAIN_C
"""Daily mean temperatures between which snow turns to rain."""

TEMPERATURE, SWING, DAY_SHARE, SOLAR, DIFFUSE, EMISSIVITY, PRECIPITATION = range(7)
"""Columns of a day's weather: mean temperature (deg C) at the reference height, mean of the sunlit part less that of the night
(K), sunlit share of the 24 hours, sun on level ground (MJ/m2), its diffuse share, emissivity of the sky, precipitation (mm)."""

ELEVATION, CANOPY, SKY_VIEW = range(3)
"""First columns of a place: elevation (m), canopy cover (1), share of diffuse sun received (1)."""


@njit(cache=True, error_model="numpy")
def split_melt(energy_mj_m2: float, cold_mm: float, most_cold_mm: float) -> tuple[float, float]:
    """Return melt and cold content, mm, after energy was gained or lost.

    Warming first, then melting.
    """
    if energy_mj_m2 > 0.0:
        could = energy_mj_m2 / FUSION_MJ_KG
        warming = min(could, cold_mm)
        return could - warming, cold_mm - warming
    cooling = min(-energy_mj_m2 * PACK_SHARE / FUSION_MJ_KG, max(most_cold_mm - cold_mm, 0.0))
    return 0.0, cold_mm + cooling


@njit(cache=True, error_model="numpy")
def most_cold_mm(swe_mm: float, temperature_c: float) -> float:
    """Return the most cold content of snow, mm of melt.

    What it gathers by loss in a day of a mean air temperature.
    """
    coldness = COLD_MM_PER_MM_K * swe_mm * max(0.0, -max(temperature_c - COLDER_K, COLDEST_C))
    return coldness + min(HELD_WATER * swe_mm, HELD_WATER_MM)


@njit(cache=True, error_model="numpy")
def saturation_hpa(temperature_c: float) -> float:
    """Return the vapour pressure over water, hPa.

    Magnus' formula with the constants of Sonntag 1990, from memory.
    """
    return 6.112 * np.exp(17.62 * temperature_c / (243.12 + temperature_c))


@njit(cache=True, error_model="numpy")
def rest_w_m2(
    temperature_c: float, emissivity: float, canopy: float, sky_view: float, tuned: np.ndarray
) -> tuple[float, float]:
    """Return long waves, and heat from the air, W/m2.

    The surface is at 0 C, or below it by a share of what the air is: then it sends out less and takes more from the air. Long
    waves come from the sky, from trees at air temperature and from snowy slopes around. `tuned` as `day_energy` has it.
    """
    surface = tuned[2] * min(temperature_c, 0.0)
    own = Stefan_Boltzmann * (zero_Celsius + surface) ** 4
    trees = CLOSED_CANOPY.sky * canopy
    above = (
        (emissivity + (CLOSED_CANOPY.emissivity - emissivity) * trees)
        * Stefan_Boltzmann
        * (zero_Celsius + temperature_c) ** 4
    )
    moist = HUMIDITY * saturation_hpa(temperature_c) - saturation_hpa(surface)
    touch = TURBULENT_W_M2_K * (1.0 - CLOSED_CANOPY.air * canopy) * (temperature_c - surface + MOIST_K_HPA * moist)
    return sky_view * (above - own) + tuned[1], touch


@njit(cache=True, error_model="numpy")
def sun_mj_m2(solar: float, diffuse: float, beam: float, canopy: float, sky_view: float) -> float:
    """Return a day's sun that reaches the snow of a slope, MJ/m2.

    Direct, from the sky, and from the snowy slopes around.
    """
    on_slope = solar * ((1.0 - diffuse) * beam + diffuse * sky_view + AROUND * (1.0 - sky_view))
    return on_slope * (1.0 - CLOSED_CANOPY.sun * canopy)


@njit(cache=True, error_model="numpy")
def day_energy(
    cell: np.ndarray, beam: float, day: np.ndarray, temperature_c: float, albedo: float, tuned: np.ndarray
) -> tuple[float, float, float, float, float]:
    """Return a day's energy for snow, MJ/m2.

    Sun absorbed; long waves and air by day, and by night.

    `tuned` : the factor on the sun, what is added to long waves at all hours (W/m2), and the share of the air's frost that the
    surface takes on.
    """
    canopy, sky_view = cell[CANOPY], cell[SKY_VIEW]
    sun = tuned[0] * (1.0 - albedo) * sun_mj_m2(day[SOLAR], day[DIFFUSE], beam, canopy, sky_view)
    by_day = temperature_c + day[SWING] * (1.0 - day[DAY_SHARE])
    by_night = temperature_c - day[SWING] * day[DAY_SHARE]
    span, rest = day[DAY_SHARE] * DAY_MJ, (1.0 - day[DAY_SHARE]) * DAY_MJ
    day_waves, day_touch = rest_w_m2(by_day, day[EMISSIVITY], canopy, sky_view, tuned)
    night_waves, night_touch = rest_w_m2(by_night, day[EMISSIVITY], canopy, sky_view, tuned)
    return (
        sun, span * day_waves, span * day_touch, rest * night_waves, rest * night_touch
    )  # fmt: skip


@njit(cache=True, error_model="numpy")
def melt_of_day(
    energy: tuple[float, float, float, float, float], cold_mm: float, dry_mm: float, most_cold: float
) -> tuple[float, float, float]:
    """Return a day's melt, cold content and free pores, mm.

    Parameters
    ----------
    energy : as `day_energy` gives it.
    cold_mm, most_cold : as `split_melt` wants them.
    dry_mm : water that the snow can still hold: what melts first does not leave it.

    Notes
    -----
    The night first, then the hours of low sun, then those of high sun: on a cold day snow may melt in the middle hours and lose
    heat in all others, which a day's sum would hide.
    """
    sun, day_waves, day_touch, night_waves, night_touch = energy
    day = 0.5 * (day_waves + day_touch)
    could, cold = split_melt(night_waves + night_touch, cold_mm, most_cold)
    more, cold = split_melt((1.0 - HIGH_SUN) * sun + day, cold, most_cold)
    most, cold = split_melt(HIGH_SUN * sun + day, cold, most_cold)
    could += more + most
    held = min(could, dry_mm)
    return could - held, cold, dry_mm - held


@njit(cache=True, error_model="numpy")
def brought_by(snowfall: float, temperature_c: float) -> float:
    """Return the cold content that new snow brings, mm of melt."""
    return snowfall * COLD_MM_PER_MM_K * max(0.0, -max(temperature_c, COLDEST_C))


@njit(cache=True, error_model="numpy")
def snowfall_mm(precipitation_mm: float, temperature_c: float) -> float:
    """Return what of a day's precipitation falls as snow, mm."""
    return precipitation_mm * min(max((RAIN_C - temperature_c) / (RAIN_C - SNOW_C), 0.0), 1.0)


class KnownSnow(NamedTuple):
    """Snow whose SWE is known on past days.

    Arrays for compiled functions.

    Parameters
    ----------
    cells : (cell, 3) elevation (m), canopy, sky view.
    beams : (cell, day) factor of the direct sun.
    swe_mm : (cell, day).
    density : (cell,) kg/m3.
    start : (cell, 3) cold content (mm), albedo and water still to be held (mm) before the first day.
    """

    cells: np.ndarray
    beams: np.ndarray
    swe_mm: np.ndarray
    density: np.ndarray
    start: np.ndarray


class SnowState(NamedTuple):
    """State of snow by day, filled in by the march.

    (cell, day) each.

    Parameters
    ----------
    potential : potential melt, mm.
    cold, dry : cold content and water still to be held at the day's end, mm.
    albedo : at the day's end.
    keeps : share of an earlier deviation of the albedo that the day left.
    """

    potential: np.ndarray
    cold: np.ndarray
    albedo: np.ndarray
    dry: np.ndarray
    keeps: np.ndarray

    @classmethod
    def room(cls, cells: int, days: int) -> SnowState:
        """Return room for the state of cells over days."""
        return cls(*(np.empty((cells, days)) for _ in range(5)))


@njit(cache=True, error_model="numpy")
def march_known(known: KnownSnow, days: np.ndarray, air: np.ndarray, out: SnowState) -> None:
    """Fill in the state of snow of known SWE.

    Parameters
    ----------
    days : (day, 7) weather.
    air : lapse (K/km), height of the weather (m), then what `day_energy` is tuned by.
    """
    cells, beams, swe_mm, density, start = known
    potential, cold, albedo, dry, keeps = out
    for i in range(len(cells)):
        held, bright, pores = start[i, 0], start[i, 1], start[i, 2]
        for d in range(len(days)):
            warmth = days[d, TEMPERATURE] + air[0] * (cells[i, ELEVATION] - air[1]) / 1000.0
            snow = snowfall_mm(days[d, PRECIPITATION], warmth)
            bright = renewed(bright, snow)
            # Snow that has gone, or blown off, has taken its cold and its pores along.
            held = min(held + brought_by(snow, warmth), COLD_MM_PER_MM_K * swe_mm[i, d] * -COLDEST_C)
            pores = min(pores + HELD_WATER * snow, HELD_WATER * swe_mm[i, d])
            shown = over_ground(bright, swe_mm[i, d] / density[i])
            energy = day_energy(cells[i], beams[i, d], days[d], warmth, shown, air[2:])
            melted, held, pores = melt_of_day(energy, held, pores, most_cold_mm(swe_mm[i, d], warmth))
            before = bright
            bright = aged(bright, melted > 0.0, 1.0)
            potential[i, d], cold[i, d], albedo[i, d], dry[i, d] = melted, held, bright, pores
            fading = np.exp(-AGEING.fading_per_day) if bright < before else 1.0
            keeps[i, d] = (1.0 - min(1.0, snow / RENEWING_MM)) * fading
