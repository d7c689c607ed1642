"""How snow darkens with age and brightens under new snow."""

from __future__ import annotations

import numpy as np
from numba import njit

FRESH = 0.84
OLD_COLD, OLD_MELTING = 0.70, 0.50
FADING_PER_DAY = 0.24
"""Albedo falls from 0.84 towards 0.70 where snow stays cold and towards 0.50 where it melts, by exp(-0.01 dt/h) (Verseghy 1991,
Int. J. Climatol. 11, 111-133)."""

RENEWING_MM = 10.0
"""New snow of so much water makes the surface new; less does so in part (common practice, no source)."""

GROUND = 0.2
MASKED_M = 0.14
"""Albedo of bare ground (common practice, no source), and the depth below which it shines through (Amaral et al. 2017,
J. Glaciol., find 0.14 m)."""


@njit(cache=True)
def renewed(albedo: float, snowfall_mm: float) -> float:
    """Return the albedo after new snow."""
    return albedo + max(FRESH - albedo, 0.0) * min(1.0, snowfall_mm / RENEWING_MM)


@njit(cache=True)
def aged(albedo: float, melting: bool, days: float) -> float:
    """Return the albedo after so many days of melting or of cold; a darker surface than the old one stays as it is.

    >>> round(aged(0.84, True, 1.0), 5), round(aged(0.84, False, 1.0), 5)
    (0.76745, 0.81013)
    """
    old = OLD_MELTING if melting else OLD_COLD
    if albedo <= old:
        return albedo
    return (albedo - old) * np.exp(-FADING_PER_DAY * days) + old


@njit(cache=True)
def over_ground(albedo: float, depth_m: float) -> float:
    """Return the albedo of snow so thin that the ground shines through; that of deep snow is its own."""
    if depth_m >= MASKED_M:
        return albedo
    share = max(depth_m, 0.0) / MASKED_M
    return albedo * share + GROUND * (1.0 - share)
