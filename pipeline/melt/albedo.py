"""How snow darkens with age and brightens under new snow."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

RENEWING_MM = 10.0
"""New snow of so much water makes the surface new; less does so in part (common practice, no source)."""

GROUND, MASKED_M = 0.2, 0.14
"""Albedo of bare ground (common practice, no source), and the depth below which it shines through (Amaral et al. 2017,
J. Glaciol., find 0.14 m)."""


class Ageing(NamedTuple):
    """How albedo falls with age.

    Of new snow, towards which where snow stays cold and where it melts, and by e in 1 / fading days.
    """

    fresh: float
    cold: float
    melting: float
    fading_per_day: float


AGEING = Ageing(fresh=0.84, cold=0.70, melting=0.50, fading_per_day=0.24)
"""Verseghy 1991, Int. J. Climatol. 11, 111-133: exp(-0.01 dt/h)."""


# Compiled code is kept beside this file and is made anew when the file changes.
@njit(cache=True, error_model="numpy")
def renewed(albedo: float, snowfall_mm: float) -> float:
    """Return the albedo after new snow."""
    return albedo + max(AGEING.fresh - albedo, 0.0) * min(1.0, snowfall_mm / RENEWING_MM)


@njit(cache=True, error_model="numpy")
def aged(albedo: float, melting: bool, days: float) -> float:
    """Return the albedo after so many days of melting or of cold.

    A darker surface than the old one stays as it is.

    >>> round(aged(0.84, True, 1.0), 5), round(aged(0.84, False, 1.0), 5)
    (0.76745, 0.81013)
    """
    old = AGEING.melting if melting else AGEING.cold
    if albedo <= old:
        return albedo
    return (albedo - old) * np.exp(-AGEING.fading_per_day * days) + old


@njit(cache=True, error_model="numpy")
def over_ground(albedo: float, depth_m: float) -> float:
    """Return the albedo of snow so thin that the ground shines through.

    That of deep snow is its own.
    """
    if depth_m >= MASKED_M:
        return albedo
    share = max(depth_m, 0.0) / MASKED_M
    return albedo * share + GROUND * (1.0 - share)
