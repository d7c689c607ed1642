"""What the sites say beyond the background, spread over the basin by kriging."""

from __future__ import annotations

import numpy as np

from snowtally.statistics.kriging import Kriging
from snowtally.statistics.regression import PRIOR_COUNTS, WILD, doubt
from snowtally.statistics.variogram import LEAST_SITES, REACH_M, Variogram, VariogramLimits, site_variogram

OWN_SHARE = 0.5
"""Share of the residual's variance that is the site's own and tells nothing of its neighbours, added to what the field has,
where the sites are too few to tell. A point's spread within its cell is as large as that between neighbouring cells
(0.2 to 0.3 of SWE each, common practice, no source), so half."""


class SiteResidual:
    """A residual without mean, kriged from the sites.

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
        """Fit to the sites' residuals.

        (n, 2) coordinates in m, (n,) residuals and their standard errors; n may be 0.

        With enough sites (`LEAST_SITES`) their variogram tells the reach and how much is each site's own; with
        fewer the reach is `REACH_M`. The size is the sites' robust spread about nothing, less what their own noise explains.
        """
        spread = 1.4826 * float(np.median(np.abs(values))) if len(values) else 0.0
        noise_sd = float(np.median(noise)) if len(noise) else 0.0
        whole = max(spread**2 - noise_sd**2, 0.0)
        self.reach_m_, field, own = REACH_M, whole, None
        if len(values) >= LEAST_SITES:
            # A wild site's pairs would be taken for a nugget of all.
            tame = np.clip(values, -WILD * spread, WILD * spread)
            fitted = site_variogram(xy, tame, noise**2, "exponential", VariogramLimits())
            # Told by the sites and by what stands in for them without their variogram, which counts `PRIOR_COUNTS` of them.
            count, expected = len(values), OWN_SHARE / (1.0 + OWN_SHARE)
            own_share = fitted.nugget / max(fitted.nugget + fitted.sill, 1e-12)
            own = whole * (count * own_share + PRIOR_COUNTS * expected) / (count + PRIOR_COUNTS)
            self.reach_m_, field = fitted.range_m, whole - own
        self.sd_ = float(np.clip(np.sqrt(field), self.least_sd, self.most_sd))
        self.own_variance_ = OWN_SHARE * self.sd_**2 if own is None else own
        variogram = Variogram("exponential", 0.0, self.sd_**2, self.reach_m_)
        raised = doubt(values / np.sqrt(self.sd_**2 + self.own_variance_ + noise**2))
        self.kriging_ = Kriging(variogram, mean=0.0).fit(xy, values, (noise**2 + self.own_variance_) * raised)
        return self

    def predict(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the residual and its standard error at places, shaped as `x`.

        (n,) places, or the (y, x) cells of a grid.
        """
        if x.ndim == 1:
            mean, variance = self.kriging_.predict(np.column_stack([x, y]))
        else:
            mean, variance = self.kriging_.predict_grid(x[0], y[:, 0])
        return mean, np.sqrt(variance, out=variance)

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return {
            "sd": round(self.sd_, 4),
            "own_sd": round(float(np.sqrt(self.own_variance_)), 4),
            "reach_m": round(self.reach_m_, 1),
        }
