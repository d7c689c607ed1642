"""Grids as pictures: colours over shaded relief, the lines between zones, and the values to look up beneath."""

from __future__ import annotations

import base64
import io
import zlib
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from PIL import Image

from snowtally.report.colours import LEVELS

SHADES = 8
"""Steps of light and shade of the relief: with 30 colours they fill a picture of one byte a cell."""

SUN_AZIMUTH_DEGREES, SUN_HEIGHT_DEGREES = 315.0, 45.0
"""From the upper left, the map-maker's custom: lit from below, valleys look like ridges (common practice, no source)."""

BARE = np.array([176, 178, 172])
"""Ground without snow: a grey that no map of values has."""

TOP_PERCENTILE = 99.0
"""A scale ends near here: a few drifts must not make all other snow pale."""


@dataclass(frozen=True)
class Legend:
    """A scale of a map. Its ends are in the archive's unit; `beyond` says whether values go beyond them."""

    low: float
    high: float
    beyond: bool


def shade(elevation_m: np.ndarray, step_m: float) -> np.ndarray:
    """Return the light (y, x) on a surface, 0 to 1. Rows run southward; level ground has a half.

    Lambert's cosine of the angle between ground and sun.
    """
    down, right = (_slope(elevation_m, axis) / step_m for axis in (0, 1))
    azimuth, height = np.radians(SUN_AZIMUTH_DEGREES), np.radians(SUN_HEIGHT_DEGREES)
    # The ground's normal is (-dz/dx, -dz/dnorth, 1), and north is up: -down.
    lit = -right * np.sin(azimuth) + down * np.cos(azimuth)
    light = (np.sin(height) + np.cos(height) * lit) / np.sqrt(1 + down**2 + right**2)
    return np.clip(light, 0, 1)


def _slope(values: np.ndarray, axis: int) -> np.ndarray:
    """Return the difference from cell to cell. At an edge it is from one side alone, without a neighbour 0."""
    moved = np.moveaxis(values, axis, 0)
    gap = np.full((1, *moved.shape[1:]), np.nan)
    steps = np.concatenate([gap, np.diff(moved, axis=0), gap])
    both = np.isfinite(steps[:-1]).astype(int) + np.isfinite(steps[1:])
    slope = np.nan_to_num(steps[:-1]) + np.nan_to_num(steps[1:])
    return np.moveaxis(slope / np.maximum(both, 1), 0, axis)


def legend(values: np.ndarray, *, centred: bool = False, factor: float = 1.0) -> Legend:
    """Return the scale of a map.

    From 0, or even about 0, to a round number (after times `factor`) near the largest values.
    """
    sizes = np.abs(values[np.isfinite(values)])
    most = float(np.percentile(sizes, TOP_PERCENTILE)) if sizes.size else 0.0
    top = most * factor if most > 0 else 1.0
    power = 10.0 ** np.floor(np.log10(top))
    high = next(float(n * power) for n in (1, 1.5, 2, 3, 4, 5, 6, 8, 10) if n * power >= top - 1e-12) / factor
    return Legend(-high if centred else 0.0, high, bool(sizes.size and sizes.max() > high))


def picture(values: np.ndarray, light: np.ndarray, colours: np.ndarray, scale: Legend, bare: np.ndarray) -> str:
    """Return a map as a PNG in a data URI, as `coloured` draws it."""
    sink = io.BytesIO()
    coloured(values, light, colours, scale, bare).save(sink, "PNG", compress_level=9)
    return "data:image/png;base64," + base64.b64encode(sink.getvalue()).decode("ascii")


def coloured(
    values: np.ndarray, light: np.ndarray, colours: np.ndarray, scale: Legend, bare: np.ndarray
) -> Image.Image:
    """Return a map of one dot a cell, clear outside the basin.

    Parameters
    ----------
    values : (y, x), missing outside. light : (y, x) of `shade`. colours : (LEVELS, 3). bare : (y, x) drawn as bare ground.
    """
    inside = np.isfinite(values)
    level = np.clip((np.nan_to_num(values) - scale.low) / (scale.high - scale.low) * LEVELS, 0, LEVELS - 1).astype(int)
    level[bare] = LEVELS
    step = np.clip(light * SHADES, 0, SHADES - 1).astype(int)
    index = np.where(inside, level * SHADES + step, (LEVELS + 1) * SHADES).astype(np.uint8)
    darken = 0.62 + 0.5 * (np.arange(SHADES) + 0.5) / SHADES
    table = np.clip(np.vstack([colours, BARE])[:, None, :] * darken[None, :, None], 0, 255).astype(np.uint8)
    image = Image.fromarray(index, mode="P")
    image.putpalette([*table.reshape(-1).tolist(), 0, 0, 0])
    image.info["transparency"] = (LEVELS + 1) * SHADES
    return image


def borders(zone: np.ndarray) -> tuple[str, str]:
    """Return the lines between zones and the basin's outline as paths.

    A unit is a cell, its corner at whole numbers.
    """
    padded = np.pad(np.nan_to_num(zone).astype(int), 1)
    inner, outer = [], []
    for across, upright in ((padded, True), (padded.T, False)):
        one, other = across[1:-1, :-1], across[1:-1, 1:]
        differs = one != other
        edge = differs & ((one == 0) | (other == 0))
        inner += _runs(differs & ~edge, upright=upright)
        outer += _runs(edge, upright=upright)
    return "".join(inner), "".join(outer)


def _runs(edges: np.ndarray, *, upright: bool) -> list[str]:
    """Return each unbroken run of cell edges as one stroke. Edges (row, column) stand before each column."""
    flags = np.pad(edges.T.astype(np.int8), ((0, 0), (1, 1)))
    steps = np.diff(flags, axis=1)
    at, start = np.nonzero(steps == 1)
    _, end = np.nonzero(steps == -1)
    if upright:
        return [f"M{x} {y0}V{y1}" for x, y0, y1 in zip(at.tolist(), start.tolist(), end.tolist(), strict=True)]
    return [f"M{x0} {y}H{x1}" for y, x0, x1 in zip(at.tolist(), start.tolist(), end.tolist(), strict=True)]


@dataclass(frozen=True)
class Packed:
    """Grids as text. It is base64 of zlib of whole numbers of two bytes, layer after layer, cells of the basin only.

    `layers` : name, step (a value is step times its number less `offset`); 65535 is no value. Before them stands one byte for
    each cell of the whole grid: 1 in the basin, 0 outside.
    """

    text: str
    layers: list[dict[str, float | str]]


_NO_VALUE = 65535
"""What stands for a missing value in a packed grid: the largest whole number of two bytes, so that it is no value's."""


@dataclass(frozen=True)
class Stepped:
    """A grid (y, x), and the step to which values are packed."""

    values: np.ndarray
    step: float


def pack(zone: np.ndarray, fields: Mapping[str, Stepped]) -> Packed:
    """Return the zones' numbers (y, x) and the fields as text.

    A step that cannot hold the largest value is made ten times coarser: with one of 0.1 mm a page holds up to 6553 mm.
    """
    inside = np.nan_to_num(zone) > 0
    parts = [inside.astype(np.uint8).tobytes()]
    layers: list[dict[str, float | str]] = []
    for name, field in {"zone": Stepped(zone, 1.0), **fields}.items():
        held = field.values[inside]
        known = held[np.isfinite(held)]
        low = min(float(known.min()) if known.size else 0.0, 0.0)
        step, offset = field.step, 0.0
        while known.size and (float(known.max()) - low) / step > _NO_VALUE - 2:
            step *= 10
        if low < 0:
            offset = float(np.ceil(-low / step))
        # A missing value stays missing whatever is done to it on the way.
        whole = np.where(np.isfinite(held), np.rint(np.nan_to_num(held) / step) + offset, _NO_VALUE)
        parts.append(whole.astype("<u2").tobytes())
        layers.append({"name": name, "step": step, "offset": offset})
    data = zlib.compress(b"".join(parts), 6)
    return Packed(base64.b64encode(data).decode("ascii"), layers)
