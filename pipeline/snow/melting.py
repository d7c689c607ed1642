"""Snow of places after a gain and a potential loss, compiled: it is asked of every cell, and of every place that is left out."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

CELL_VARIATION = 0.5
"""Coefficient of variation of SWE within a cell of about 100 m (0.3 to 0.8 in the literature on sub-grid snow, from memory):
decides how patchily a cell melts out, and how far fresh snow on ground seen bare may be off: it has had no time to even out."""


class Carried(NamedTuple):
    """Snow of places after a gain and a loss, and its slopes.

    Arrays of one shape.

    Parameters
    ----------
    swe_mm : mean SWE w.
    covered : share still under snow.
    remaining : dw/dW, how much of a mm more at the start, or of gain, would be left.
    gained_mm, lost_mm : dw/dln(gain) and -dw/dln(loss): what of the gain is left, and what was melted under snow that is left.
    old : whether it is snow of the start: what fell on ground gone bare since owes nothing to it.
    """

    swe_mm: np.ndarray
    covered: np.ndarray
    remaining: np.ndarray
    gained_mm: np.ndarray
    lost_mm: np.ndarray
    old: np.ndarray

    @classmethod
    def room(cls, shape: tuple[int, ...]) -> Carried:
        """Return room for places."""
        swe, covered, remaining, gained, lost = (np.empty(shape) for _ in range(5))
        return cls(swe, covered, remaining, gained, lost, np.empty(shape, bool))


class Spells(NamedTuple):
    """What the snow gained and lost over some spells that end on one day.

    Parameters
    ----------
    nodes_m : (n,) rising elevations.
    gain_mm, loss_mm : (spell, n) snow gained by a place of average accumulation, and potential loss, at the nodes. The first spell
        is that of the snow at the start; snow that fell since the beginning of another owes nothing to the melt before.
    """

    nodes_m: np.ndarray
    gain_mm: np.ndarray
    loss_mm: np.ndarray


def melted(start_mm: np.ndarray, gain_mm: np.ndarray, loss_mm: np.ndarray, variation: float) -> Carried:
    """Return the snow after a gain and a potential loss.

    In mm, where it lies log-normally within the cell.

    Parameters
    ----------
    variation : coefficient of variation within the cell; 0 for a point, which loses evenly until it is bare.

    Notes
    -----
    With W = start + gain log-normal within the cell and an even loss M, what is left is E max(W - M, 0) =
    W Phi(d) - M Phi(d - s), d = ln(W/M)/s + s/2, s^2 = ln(1 + v^2): snow turns patchy before it is gone. Its slopes are
    dw/dW = Phi(d) and dw/dln M = -M Phi(d - s). A point is given the covered share of a cell about it.

    Examples
    --------
    >>> melted(np.array([100.0]), np.array([20.0]), np.array([200.0]), 0.0).swe_mm
    array([0.])
    """
    start_mm, gain_mm, loss_mm = (np.asarray(values, float) for values in (start_mm, gain_mm, loss_mm))
    # One spell on one node: the same loop over places serves both.
    locations = start_mm, gain_mm, np.zeros(1), loss_mm
    return carried(locations, Spells(np.zeros(1), np.ones((1, 1)), np.ones((1, 1))), variation)


def carried(locations: tuple[np.ndarray | float, ...], spells: Spells, variation: float) -> Carried:
    """Return the snow at the end of spells.

    Where more of what fell since the beginning of a later spell is left, it is that snow.

    Parameters
    ----------
    locations : SWE at the start (mm), factor on gain, elevation (m) and melt exposure; arrays that broadcast to one shape.
    variation : as in `melted`.
    """
    arrays = np.broadcast_arrays(*locations)
    out = Carried.room(arrays[0].shape)
    flat = Carried(*(values.reshape(-1) for values in out))
    columns = _Locations(*(np.array(values, float, order="C").reshape(-1) for values in arrays))
    spread = math.sqrt(math.log1p((variation or CELL_VARIATION) ** 2))
    _carry(columns, _AtNodes.of(spells), spread, variation == 0, flat)
    return out


class _Locations(NamedTuple):
    """Places as `carried` takes them, (n,) each."""

    start: np.ndarray
    factor: np.ndarray
    elevation: np.ndarray
    exposure: np.ndarray


class _AtNodes(NamedTuple):
    """Gain and loss, (node, spell), and their slopes to the next node: a place asks for all spells at one node."""

    nodes: np.ndarray
    gain: np.ndarray
    loss: np.ndarray
    gain_slope: np.ndarray
    loss_slope: np.ndarray

    @classmethod
    def of(cls, spells: Spells) -> _AtNodes:
        # Copies: arrays that cannot be written are another type, for which all would be compiled again.
        nodes = np.array(spells.nodes_m, float)
        tables = [np.array(values.T, float, order="C") for values in (spells.gain_mm, spells.loss_mm)]
        return cls(nodes, *tables, *(np.diff(table, axis=0) / np.diff(nodes)[:, None] for table in tables))


@njit(cache=True, error_model="numpy", nogil=True)
def _carry(locations: _Locations, tables: _AtNodes, spread: float, point: bool, out: Carried) -> None:
    """Fill in `carried`; `spread` is that of SWE's logarithm within a cell."""
    nodes, gains, losses, gain_slopes, loss_slopes = tables
    for i in range(len(locations.start)):
        factor, exposure = locations.factor[i], locations.exposure[i]
        node, beyond = _position(nodes, locations.elevation[i])
        gain, loss = gains[node, 0], losses[node, 0]
        if beyond != 0.0:
            gain, loss = gain + gain_slopes[node, 0] * beyond, loss + loss_slopes[node, 0] * beyond
        gain *= factor
        whole = locations.start[i] + gain
        swe, covered, remaining, lost = _left(max(whole, 0.0), exposure * loss, spread, point)
        old = whole > 0.0
        for spell in range(1, gains.shape[1]):
            fallen = gains[node, spell]
            if beyond != 0.0:
                fallen += gain_slopes[node, spell] * beyond
            fallen *= factor
            # Only where more fell since than lies there can the snow of since be more.
            if fallen > swe:
                loss = losses[node, spell]
                if beyond != 0.0:
                    loss += loss_slopes[node, spell] * beyond
                fresh = _left(fallen, exposure * loss, spread, point)
                if fresh[0] > swe:
                    swe, covered, remaining, lost = fresh
                    gain, old = fallen, False
        out.swe_mm[i], out.covered[i], out.remaining[i] = swe, covered, remaining
        out.gained_mm[i], out.lost_mm[i], out.old[i] = remaining * gain, lost, old


@njit(cache=True, error_model="numpy", nogil=True)
def _position(nodes: np.ndarray, value: float) -> tuple[int, float]:
    """Return the node below a value, and how far beyond it the value lies; nothing beyond the first and the last node."""
    if math.isnan(value):
        return 0, value
    if value <= nodes[0]:
        return 0, 0.0
    if value >= nodes[-1]:
        return len(nodes) - 1, 0.0
    low, high = 0, len(nodes) - 1
    while high - low > 1:
        middle = (low + high) // 2
        if nodes[middle] <= value:
            low = middle
        else:
            high = middle
    return low, value - nodes[low]


@njit(cache=True, error_model="numpy", nogil=True)
def _left(whole: float, loss: float, spread: float, point: bool) -> tuple[float, float, float, float]:
    """Return SWE, covered share, remaining and lost of one place, as `Carried` has them."""
    snowy = whole > 0.0
    covered = remaining = 1.0 if snowy else 0.0
    if snowy and loss > 0.0:
        d = math.log(whole / loss) / spread + spread / 2
        covered, remaining = _normal(d - spread), _normal(d)
    if point:
        swe = whole - loss
        remaining = 1.0 if swe > 0.0 else 0.0
        lost = remaining * loss
    else:
        lost = loss * covered
        swe = whole * remaining - lost
    return max(swe, 0.0), covered, remaining, lost


@njit(cache=True, error_model="numpy", nogil=True)
def _normal(x: float) -> float:
    """Return the normal distribution function."""
    return 0.5 * math.erfc(-x * math.sqrt(0.5))
