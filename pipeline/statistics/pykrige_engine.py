"""PyKrige behind the methods of our own kriging: an independent engine for sites that all err alike."""

from __future__ import annotations

import numpy as np

from snowtally.statistics.variogram import Variogram


class PykrigeKriging:
    """PyKrige with the methods of `Kriging`.

    Ordinary and universal kriging with one error variance for all sites.

    It stands beside `Kriging` as an independent engine. PyKrige knows no error of single observations; an equal one is
    added to its nugget. Its variance is that of a new observation: the noise is taken off again.

    Parameters
    ----------
    variogram : as for `Kriging`.
    """

    def __init__(self, variogram: Variogram) -> None:
        """Keep the variogram."""
        self.variogram = variogram

    def fit(
        self,
        xy: np.ndarray,
        values: np.ndarray,
        error_variance: np.ndarray | None = None,
        drift: np.ndarray | None = None,
    ) -> PykrigeKriging:
        """Fit as `Kriging.fit`; raises ValueError when the error variances differ."""
        from pykrige import OrdinaryKriging, UniversalKriging  # noqa: PLC0415  heavy: read where it is needed

        error = np.zeros(1) if error_variance is None else np.asarray(error_variance, float)
        if np.ptp(error) > 0:
            raise ValueError(
                "Invalid error_variance with unequal values. PyKrige takes one for all sites. Use Kriging."
            )
        self.noise_ = self.variogram.nugget + float(error[0])
        parameters = self.variogram.pykrige_parameters() | {"nugget": self.noise_}
        common = {"variogram_model": self.variogram.model, "variogram_parameters": parameters, "exact_values": False}
        if drift is None:
            self.engine_ = OrdinaryKriging(xy[:, 0], xy[:, 1], values, **common)
        else:
            common |= {"drift_terms": ["specified"], "specified_drift": list(np.asarray(drift, float).T)}
            self.engine_ = UniversalKriging(xy[:, 0], xy[:, 1], values, **common)
        return self

    def predict(self, xy: np.ndarray, drift: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Return the field's mean and variance at points, (m,) each.

        Noise-free; points are (m, 2), drift columns (m, k).
        """
        extra = {} if drift is None else {"specified_drift_arrays": list(np.asarray(drift, float).T)}
        mean, variance = self.engine_.execute("points", xy[:, 0], xy[:, 1], **extra)
        return np.asarray(mean), np.maximum(np.asarray(variance) - self.noise_, 0.0)
