"""Where density keeps to one side of what depth, height and weather tell, as the season's sites show it: kriged."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from pipeline.methods.residual import LIMITS, SiteResidual

MEASURED_SD = 0.05
"""Error of a fresh record of deep snow as a share of density: a sampler's, or a pillow's and a depth sensor's (half the range of
2.6 to 11.4 % found by Beaudoin-Galaise and Jutras 2022, The Cryosphere 16, 3199-3214)."""

SD_LIMITS = (0.01, 0.2)
"""Bounds of the residual's standard deviation, in natural logarithms: less is nothing, more is no snow (chosen)."""

POINTS_A_REACH = 8.0
"""On a grid the residual is kriged at so many points to its reach and taken evenly between them: it is smooth over less."""


class DensityResidual:
    """What the line leaves at the sites, spread over the basin where leaving sites out shows that it helps.

    Attributes
    ----------
    sd_ : standard deviation of the residual's field, in natural logarithms.
    reach_m_ : e-folding distance over which it hangs together.
    """

    def __init__(self) -> None:
        """Keep nothing: all is told by the sites."""

    def fit(self, xy: np.ndarray, left: np.ndarray, wider: np.ndarray) -> DensityResidual | None:
        """Fit to what the line leaves; None where sites are too few, or do no better with it by more than a standard error.

        Parameters
        ----------
        xy : (n, 2) coordinates, m.
        left : (n,) logarithm of density over the line's.
        wider : (n,) error variance of each record over that of a fresh one of deep snow.
        """
        if len(left) < LIMITS.least_sites:
            return None
        self._field = SiteResidual(*SD_LIMITS).fit(xy, left, MEASURED_SD * np.sqrt(wider))
        told, _ = self._field.kriging_.leave_one_out()
        gain = (left**2 - (left - told) ** 2) / wider
        if gain.mean() <= gain.std(ddof=1) / np.sqrt(len(gain)):
            return None
        self.sd_, self.reach_m_ = self._field.sd_, self._field.reach_m_
        return self

    def predict(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the residual and its standard error, in natural logarithms, shaped as `x`; a 2-D `x` and `y` are a grid's."""
        step = 1
        if x.ndim == 2:  # noqa: PLR2004  a grid
            spacing = np.hypot(x[0, 1] - x[0, 0], y[0, 1] - y[0, 0])
            step = int(self._field.reach_m_ / (POINTS_A_REACH * spacing))
        if step <= 1:
            return self._field.predict(x, y)
        rows, columns = (np.unique(np.append(np.arange(0, size, step), size - 1)) for size in x.shape)
        corners = np.ix_(rows, columns)
        everywhere = np.stack(np.indices(x.shape), axis=-1)
        mean, se = (
            RegularGridInterpolator((rows, columns), values)(everywhere)
            for values in self._field.predict(x[corners], y[corners])
        )
        return mean, se

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return self._field.parameters()
