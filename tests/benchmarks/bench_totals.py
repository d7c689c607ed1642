"""Covariance of the errors of 160 zone-bands on 1.6 million cells, against the exact transform of all cells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from scipy.fft import irfft2, next_fast_len, rfft2
from timing import Figure, Runs, alternate, faster_at_least, no_more_than, peak_mb

from snowtally.statistics.errors import ErrorPart, KrigedPart, volume_covariance
from snowtally.statistics.kriging import Kriging
from snowtally.statistics.variogram import Variogram

SIDE, CELL_M = 1265, 100.0
ZONES, BANDS = (2, 4), 20
GROUPS = ZONES[0] * ZONES[1] * BANDS
LENGTHS_M = (500.0, 1500.0)
"""What is left of carrying, and density: the two correlation lengths of a night that cost most."""


def runs(_folder: Path) -> Runs:
    """Return our covariance and the exact one by correlation length, and that of all parts of a night."""
    group, se = _world()
    area = np.full(group.shape, CELL_M**2)

    def ours(parts: list) -> np.ndarray:
        return volume_covariance(parts, area, group, GROUPS, CELL_M).total

    def of(length: float) -> Runs:
        return {
            f"ours {length:g} m": lambda: ours([ErrorPart("one", se, length)]),
            f"exact {length:g} m": lambda: exact_covariance(area * se / 1000.0, group, GROUPS, length / CELL_M),
        }

    return of(LENGTHS_M[0]) | of(LENGTHS_M[1]) | {"night": lambda: ours(_night(se))}


def figures(folder: Path) -> list[Figure]:
    """Return seconds and the largest error of a standard error, for each length; a whole night's parts; memory."""
    made = runs(folder)
    found = []
    for length in LENGTHS_M:
        ours, exact = f"ours {length:g} m", f"exact {length:g} m"
        taken = alternate({ours: made[ours]})[ours]
        # The exact transform takes a hundred times as long: once is enough to say so.
        reference = alternate({exact: lambda run=made[exact], kept=(kept := []): kept.append(run())}, rounds=1)[exact]
        path = f"covariance of {GROUPS} zone-bands, {SIDE * SIDE / 1e6:.1f} million cells, correlated over {length:g} m"
        found += [
            faster_at_least(path, taken, ("exact transform of all cells, once", reference), None),
            no_more_than("its CPU seconds", taken.cpu_s, 1.0, "s"),
            no_more_than("largest error of a standard error", _worst(made[ours](), kept[0]), 0.02, ""),
        ]
    night = alternate({"night": made["night"]})["night"]
    return [
        *found,
        Figure("all nine parts of a night between flights, a kriged one among them", str(night)),
        Figure("its peak memory, whole process", f"{peak_mb('bench_totals', 'night', folder):.0f} MB"),
    ]


def exact_covariance(weight: np.ndarray, group: np.ndarray, n_groups: int, length: float) -> np.ndarray:
    """Return the covariance of sums under an exponential correlation over `length` cells, one transform a group."""
    size = [next_fast_len(2 * n, real=True) for n in weight.shape]
    rows, columns = (np.minimum(np.arange(n), n - np.arange(n)) for n in size)
    correlation = rfft2(np.exp(-np.hypot(rows[:, None], columns) / length), workers=-1)
    total = np.zeros((n_groups, n_groups))
    for one in np.unique(group[group >= 0]):
        spectrum = rfft2(np.where(group == one, weight, 0.0), s=size, workers=-1)
        spectrum *= correlation
        spread = irfft2(spectrum, s=size, workers=-1)[: weight.shape[0], : weight.shape[1]]
        total[one] = np.bincount(group.ravel(), (weight * spread).ravel(), n_groups)
    return total


def _worst(found: np.ndarray, exact: np.ndarray) -> float:
    """Return the largest relative error of a standard error: of zone-bands, zones, bands and the basin."""
    zone, band = np.divmod(np.arange(GROUPS), BANDS)
    unions = [np.eye(GROUPS), zone == np.arange(GROUPS // BANDS)[:, None], band == np.arange(BANDS)[:, None]]
    share = np.vstack([*unions, np.ones((1, GROUPS))]).astype(float)
    variances = [np.einsum("ij,jk,ik->i", share, covariance, share) for covariance in (found, exact)]
    held = variances[1] > 0
    return float(np.abs(np.sqrt(variances[0][held] / variances[1][held]) - 1.0).max())


def _night(se: np.ndarray) -> list[ErrorPart | KrigedPart]:
    """Return parts as a night between flights has them (`snowtally.snow.background`)."""
    x, y = 5e5 + (np.arange(SIDE) + 0.5) * CELL_M, 4.88e6 - (np.arange(SIDE) + 0.5) * CELL_M
    rng = np.random.default_rng(3)
    sites = np.column_stack([rng.choice(x, 250), rng.choice(y, 250)])
    kriging = Kriging(Variogram("exponential", 0.0, 0.04, 5000.0), mean=0.0)
    kriging.fit(sites, rng.normal(0.0, 0.2, 250), np.full(250, 0.02))
    lengths = (np.inf, 30.0, np.inf, 1500.0, 1000.0, np.inf, 500.0, np.inf)
    parts = [ErrorPart(f"part {number}", se, length) for number, length in enumerate(lengths)]
    return [*parts, KrigedPart("site residual", 5.0 * se, kriging, x, y)]


def _world() -> tuple[np.ndarray, np.ndarray]:
    """Return the zone-band of each cell, bands of equal area on rough ground, and a standard error, mm; (y, x) each."""
    rng = np.random.default_rng(1)
    wave = np.hypot(np.fft.fftfreq(SIDE)[:, None], np.fft.rfftfreq(SIDE))
    # Amplitudes fall with the square of the wave number, as those of mountains do (common practice, no source).
    falling = np.maximum(wave, 4 / SIDE) ** -2.0
    height = np.fft.irfft2(np.fft.rfft2(rng.normal(size=(SIDE, SIDE))) * falling, s=(SIDE, SIDE))
    band = np.digitize(height, np.quantile(height, np.arange(1, BANDS) / BANDS))
    row, column = np.mgrid[:SIDE, :SIDE]
    zone = row * ZONES[0] // SIDE * ZONES[1] + column * ZONES[1] // SIDE
    return zone * BANDS + band, 20.0 + 10.0 * rng.random((SIDE, SIDE))
