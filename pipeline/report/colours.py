"""Colour maps whose lightness changes evenly, so that equal steps of snow look equal, to colour-blind readers too.

Anchors are joined in Oklab, and along the map lightness is laid out evenly: it alone tells the value, hue only helps.
Conversion: B. Ottosson, "A perceptual color space for image processing" (2020), matrices from memory and checked by tests.
"""

from __future__ import annotations

from functools import cache

import numpy as np

LEVELS = 30
"""Steps of a map: finer ones cannot be told apart in a legend."""

_STRAIGHT, _STRAIGHT_LIGHT = 0.04045, 0.0031308
"""Up to this sRGB value, and to this light, the two go in proportion (IEC 61966-2-1)."""

_LMS = np.array([
    [0.4122214708, 0.5363325363, 0.0514459929],
    [0.2119034982, 0.6806995451, 0.1073969566],
    [0.0883024619, 0.2817188376, 0.6299787005],
])  # fmt: skip
_LAB = np.array([
    [0.2104542553, 0.7936177850, -0.0040720468],
    [1.9779984951, -2.4285922050, 0.4505937099],
    [0.0259040371, 0.7827717662, -0.8086757660],
])  # fmt: skip

WATER = ("#f3f4dc", "#a9d3b8", "#4fa3ae", "#2f6a9c", "#2b3079", "#1e0f3f")
"""Pale meadow to deep water: more snow is darker."""

ERROR = ("#f6f0e3", "#edc98d", "#d58a4c", "#a14a3c", "#5c2340", "#2a1030")
"""Pale sand to dark plum, so that nobody takes the one map for the other."""

GROUND = ("#f1f2e6", "#cfd3b8", "#b3a986", "#8d7a5e", "#5d4c3d")
"""Meadow to rock: higher ground is darker, and paler than snow's end, so that names can be read over it."""

LESS = ("#f5f3ef", "#e0b287", "#b76a38", "#7c3410", "#4a1a06")
MORE = ("#f5f3ef", "#9dc3d6", "#4a88ae", "#1f5480", "#0c2a4e")
"""The two arms of the map of change: earth and water, told apart by all common kinds of colour blindness."""


def oklab(rgb: np.ndarray) -> np.ndarray:
    """Return Oklab (lightness, green-red, blue-yellow) of sRGB values of 0..1, (n, 3)."""
    linear = np.where(rgb <= _STRAIGHT, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return np.cbrt(linear @ _LMS.T) @ _LAB.T


def srgb(lab: np.ndarray) -> np.ndarray:
    """Return sRGB values (0..1) of Oklab ones, (n, 3). They are clipped to what a screen shows."""
    linear = ((lab @ np.linalg.inv(_LAB).T) ** 3) @ np.linalg.inv(_LMS).T
    linear = np.clip(linear, 0, 1)
    return np.where(linear <= _STRAIGHT_LIGHT, linear * 12.92, 1.055 * linear ** (1 / 2.4) - 0.055)


@cache
def sequential(anchors: tuple[str, ...], levels: int = LEVELS) -> np.ndarray:
    """Return colours from the first anchor to the last.

    They are (levels, 3), 0..255, with lightness falling evenly.
    """
    points = oklab(np.array([_rgb(anchor) for anchor in anchors]))
    # Laid out by lightness: np.interp wants it rising.
    wanted = np.linspace(points[0, 0], points[-1, 0], levels)
    hues = [np.interp(-wanted, -points[:, 0], points[:, k]) for k in (1, 2)]
    return np.rint(255 * srgb(np.column_stack([wanted, *hues]))).astype(np.uint8)


@cache
def diverging(less: tuple[str, ...], more: tuple[str, ...], levels: int = LEVELS) -> np.ndarray:
    """Return (levels, 3) whole numbers 0..255. From the end of `less` through its pale start to the end of `more`."""
    half = levels // 2
    return np.vstack([sequential(less, half)[::-1], sequential(more, half)])


def css(colours: np.ndarray) -> str:
    """Return colours as the gradient of a legend. Each step has hard edges, as in the picture."""
    share = 100 / len(colours)
    steps = (
        f"#{r:02x}{g:02x}{b:02x} {k * share:.2f}% {(k + 1) * share:.2f}%"
        for k, (r, g, b) in enumerate(colours.tolist())
    )
    return f"linear-gradient(to right, {', '.join(steps)})"


def _rgb(text: str) -> list[float]:
    return [int(text[k : k + 2], 16) / 255 for k in (1, 3, 5)]
