"""SWE regressed on the terrain: the background of a season without a flight yet."""

from __future__ import annotations

import numpy as np

from snowtally.statistics.regression import ROUNDS, BayesianLine, doubt_wild

REACH_M = 400.0
"""A line on elevation is carried no further than this beyond the highest and lowest site: above the timber line and the crests wind takes
what falls (common practice, no source; with half of it high ground keeps nearer to the highest site's
snow)."""

BEYOND_SD = 0.5
"""Standard error of SWE at a kilometre above the highest or below the lowest site, as a share of it, beside the line's own: no
site tells whether the line goes on there (common practice, no source: snow differs by about half between the foot and the top of a
kilometre; with half of it ground above all sites is stated too surely)."""

LOCAL_SHARE = 0.25
"""Spread of SWE between places of like terrain, as a share of the sites' mean, or of the logarithm of what sites gather about their
terrain's or their cell's: a point against its neighbours (15 to 30 %, common practice, no source). Gains and losses of two stations of
like height differ by as much, which is the error of a course carried to another day."""


LEAST_SHARE = 0.5
"""Places where little is expected still vary by their share of this much of the sites' mean. On real nights of four seasons a
share of 0.2 gives the low sites too much say (bias -5 in place of -4 % of the mean)."""


_, _, NORTHNESS, _, *BEYOND = range(6)
"""Where they stand among the columns. The errors of what no site tells are the prior's own, and no site left out shows them."""


class TerrainColumns:
    """Columns of lines on the terrain.

    A constant, elevation (km above the sites' mean), northness, canopy, and beyond the sites.

    The last two are the heights (km) above the highest and below the lowest site: no site tells their coefficients, which keep
    their prior and so give the line its error there.

    Parameters
    ----------
    elevation_m : elevations of the sites; beyond them and `REACH_M` elevation is kept level.

    Attributes
    ----------
    centre_m : their mean.
    reach_m : the elevations between which a line holds.
    """

    def __init__(self, elevation_m: np.ndarray) -> None:
        """Take the sites' elevations as the middle and the ends."""
        self.centre_m = float(elevation_m.mean())
        self.reach_m = (float(elevation_m.min()) - REACH_M, float(elevation_m.max()) + REACH_M)

    def of(self, terrain: np.ndarray) -> np.ndarray:
        """Return the line's columns, (n, 6).

        Of (n, 3) elevation (m), northness and canopy.
        """
        low, high = self.reach_m[0] + REACH_M, self.reach_m[1] - REACH_M
        elevation, (_, northness, canopy) = np.clip(terrain[:, 0], *self.reach_m), terrain.T
        above, below = np.maximum(terrain[:, 0] - high, 0.0), np.maximum(low - terrain[:, 0], 0.0)
        km = [(elevation - self.centre_m) / 1000.0, above / 1000.0, below / 1000.0]
        return np.column_stack([np.ones(len(terrain)), km[0], northness, canopy, km[1], km[2]])


class TerrainRegression:
    """SWE of the sites regressed on elevation, northness and canopy.

    The background of a season without a flight yet.

    Attributes
    ----------
    line_ : the fitted Bayesian line.
    smearing_ : factor that brings the line to the mean of the sites, wild ones doubted: the weights of a line whose errors grow
        with SWE let the low sites speak, and where SWE is no straight line that leaves the mean too low.
    columns_ : makes the line's columns.
    """

    def fit(self, swe_mm: np.ndarray, terrain: np.ndarray, variance: np.ndarray) -> TerrainRegression:
        """Fit to the sites' SWE, (n,).

        By (n, 3) elevation (m), northness and canopy, with the SWE's error variance.
        """
        swe = np.asarray(swe_mm, float)
        self.columns_ = TerrainColumns(terrain[:, 0])
        self.level_mm_ = float(swe.mean())
        size = self.level_mm_ + 1.0
        # Spread of SWE with a kilometre of height, from a south to a north face, and from open to closed canopy (chosen).
        self.line_ = BayesianLine(np.array([10.0, 1.0, 0.5, 0.3, BEYOND_SD, BEYOND_SD]) * size)
        columns = self.columns_.of(terrain)
        expected, raised = np.full(len(swe), self.level_mm_), np.ones(len(swe))
        for _ in range(ROUNDS):
            # Snow varies by a share of what there is.
            local = (LOCAL_SHARE * np.maximum(expected, LEAST_SHARE * size)) ** 2
            self.line_.fit(columns, swe, (variance + local) * raised)
            expected = self.line_.predict(columns)[0]
            raised = doubt_wild((swe - expected) / np.sqrt(variance + local))
        mean = float(np.sum(np.maximum(expected, 0.0) / raised))
        self.smearing_ = float(np.sum(swe / raised)) / mean if mean > 0 else 1.0
        return self

    def predict(self, terrain: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the background SWE, mm, and the line's error fields.

        Not below zero; the fields as `BayesianLine.error_fields` gives them.
        """
        columns = self.columns_.of(terrain)
        mean, se = self.line_.predict(columns)
        fields = np.where(mean > -se, self.line_.error_fields(columns), 0.0)
        return self.smearing_ * np.maximum(mean, 0.0), self.smearing_ * fields
