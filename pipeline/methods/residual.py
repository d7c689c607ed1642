"""What the sites say beyond the background, spread over the basin by kriging."""

from __future__ import annotations

import numpy as np

from pipeline.methods.kriging import Kriging
from pipeline.methods.regression import WILD, doubt
from pipeline.methods.variogram import Variogram, VariogramLimits, site_variogram

REACH_M = 5_000.0
"""E-folding distance of the residual where the sites are too few to tell (storm and exposure patterns of some kilometres)."""

LIMITS = VariogramLimits(default_range_m=REACH_M, least_range_m=1_000.0, most_range_m=30_000.0)
"""A fitted reach shorter than a kilometre is a site's own, one longer than a basin its mean."""

OWN_SHARE = 0.5
"""Share of the residual's variance that is the site's own and tells nothing of its neighbours, added to what the field has,
where the sites are too few to tell. A point's spread within its cell is as large as that between neighbouring cells
(0.2 to 0.3 of SWE each, common practice, no source), so half."""

OWN_LIMITS = (0.1, 0.8)
"""Bounds of that share, of the whole, where the sites tell it."""


class SiteResidual:
    """A residual without mean, kriged from the sites with each one's own error.

    Parameters
    ----------
    least_sd, most_sd : bounds on the residual field's standard deviation: a few sites that happen to agree are no proof of
        no residual, and one wild site none of a large one.
    """

    def __init__(self, least_sd: float, most_sd: float) -> None:
        """Keep the bounds."""
        self.least_sd = least_sd
        self.most_sd = most_sd

    def fit(self, xy: np.ndarray, values: np.ndarray, noise: np.ndarray) -> SiteResidual:
        """Fit to (n, 2) coordinates in m, (n,) residuals and their (n,) standard errors; n may be 0.

        With enough sites (`VariogramLimits.least_sites`) their variogram tells the reach and how much is each site's own; with
        fewer the reach is `REACH_M`. The size is the sites' robust spread about nothing, less what their own noise explains.
        """
        spread = 1.4826 * float(np.median(np.abs(values))) if len(values) else 0.0
        noise_sd = float(np.median(noise)) if len(noise) else 0.0
        whole = max(spread**2 - noise_sd**2, 0.0)
        self.reach_m_, field, own = REACH_M, whole, OWN_SHARE
        if len(values) >= LIMITS.least_sites:
            # A wild site's pairs would be taken for a nugget of all.
            tame = np.clip(values, -WILD * spread, WILD * spread)
            found = site_variogram(xy, tame, noise**2, "exponential", LIMITS)
            share = float(np.clip(found.nugget / max(found.nugget + found.sill, 1e-12), *OWN_LIMITS))
            self.reach_m_, field, own = found.range_m, (1.0 - share) * whole, share / (1.0 - share)
        self.sd_ = float(np.clip(np.sqrt(field), self.least_sd, self.most_sd))
        self.own_variance_ = own * self.sd_**2
        variogram = Variogram("exponential", 0.0, self.sd_**2, self.reach_m_)
        raised = doubt(values / np.sqrt(self.sd_**2 + self.own_variance_ + noise**2))
        self.kriging_ = Kriging(variogram, mean=0.0).fit(xy, values, (noise**2 + self.own_variance_) * raised)
        return self

    def predict(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the residual and its standard error at places, shaped as `x`."""
        mean, variance = self.kriging_.predict(np.column_stack([x.ravel(), y.ravel()]))
        return mean.reshape(x.shape), np.sqrt(variance).reshape(x.shape)

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return {
            "sd": round(self.sd_, 4),
            "own_sd": round(float(np.sqrt(self.own_variance_)), 4),
            "reach_m": round(self.reach_m_, 1),
        }
