"""What the sites say beyond the background, spread over the basin by kriging."""

from __future__ import annotations

import numpy as np

from pipeline.methods.kriging import Kriging
from pipeline.methods.regression import doubt
from pipeline.methods.variogram import Variogram

REACH_M = 5_000.0
"""E-folding distance of the residual where the sites are too few to tell (storm and exposure patterns of some kilometres)."""


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
        """Fit to (n, 2) coordinates in m, (n,) residuals and their (n,) standard errors; n may be 0."""
        self.reach_m_ = REACH_M
        # Robust: the sites' spread less what their own noise explains.
        spread = 1.4826 * float(np.median(np.abs(values))) if len(values) else 0.0
        noise_sd = float(np.median(noise)) if len(noise) else 0.0
        self.sd_ = float(np.clip(np.sqrt(max(spread**2 - noise_sd**2, 0.0)), self.least_sd, self.most_sd))
        variogram = Variogram("exponential", 0.0, self.sd_**2, self.reach_m_)
        # Half of the residual is the site's own and tells nothing of its neighbours (chosen).
        own = 0.5 * self.sd_**2
        raised = doubt(values / np.sqrt(self.sd_**2 + own + noise**2))
        self.kriging_ = Kriging(variogram, mean=0.0).fit(xy, values, (noise**2 + own) * raised)
        return self

    def predict(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the residual and its standard error at places, shaped as `x`."""
        mean, variance = self.kriging_.predict(np.column_stack([x.ravel(), y.ravel()]))
        return mean.reshape(x.shape), np.sqrt(variance).reshape(x.shape)

    def parameters(self) -> dict:
        """Return what the record keeps."""
        return {"sd": round(self.sd_, 4), "reach_m": self.reach_m_}
