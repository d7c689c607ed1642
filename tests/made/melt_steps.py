"""The daily march's accounting of energy, for steps of any length: what published hours are held against."""

import numpy as np

from snowtally.melt.energy import split_melt


def melt_of_steps(energy_mj_m2, swe_mm, cold_mm, most_cold):
    """Return potential melt, melt and cold content, (step, cell) each, of snow that lies evenly; mm.

    >>> melt_of_steps(np.full((2, 1), 0.334), np.array([1.5]), np.zeros(1), np.zeros(1))[1].ravel()
    array([1. , 0.5])
    """
    potential, melt, cold = (np.zeros(energy_mj_m2.shape) for _ in range(3))
    left, held = np.array(swe_mm, float), np.array(cold_mm, float)
    for step, energy in enumerate(energy_mj_m2):
        for k, gained in enumerate(energy):
            potential[step, k], held[k] = split_melt(gained, held[k], most_cold[k])
            melt[step, k] = min(potential[step, k], left[k])
        left -= melt[step]
        cold[step] = held
    return potential, melt, cold
