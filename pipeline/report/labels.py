"""Names on a map, each beside its sign where no other name or sign stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup
from scipy.ndimage import distance_transform_edt

from snowtally.report.svg import tag

SIGN_WIDTH = 0.56
"""Mean width of a letter as a share of the size of the text (common practice, no source)."""


@dataclass(frozen=True)
class Box:
    """A part of the map that is taken: left, top, right, bottom in shown cells."""

    left: float
    top: float
    right: float
    bottom: float

    def overlap(self, other: Box) -> float:
        """Return the common area of two boxes."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        tall = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(wide, 0.0) * max(tall, 0.0)

    def beyond(self, window: Box) -> float:
        """Return the area that lies outside of a window."""
        return (self.right - self.left) * (self.bottom - self.top) - self.overlap(window)


class Labels:
    """The names of a map, written one after the other where there is room."""

    def __init__(self, window: tuple[float, float, float, float]) -> None:
        left, top, width, height = window
        self.window = Box(left, top, left + width, top + height)
        self.size = 0.025 * max(width, height)
        self.taken: list[Box] = []

    def take(self, column: float, row: float, half: float) -> None:
        """Keep the room of a sign free of names."""
        self.taken.append(Box(column - half, row - half, column + half, row + half))

    def beside(self, name: str, column: float, row: float) -> Markup:
        """Return a name beside a sign, at the side where it covers least."""
        wide, tall, gap = SIGN_WIDTH * self.size * len(name), self.size, 0.55 * self.size
        sides = [
            (column + gap + dx, row + dy)
            for dx, dy in (
                (0.0, -tall / 2), (-wide - 2 * gap, -tall / 2), (-gap - wide / 2, -tall - gap), (-gap - wide / 2, gap),
                (0.0, -tall - gap / 2), (0.0, gap / 2), (-wide - 2 * gap, -tall - gap / 2), (-wide - 2 * gap, gap / 2),
            )
        ]  # fmt: skip
        boxes = [Box(x, y, x + wide, y + tall) for x, y in sides]
        best = min(boxes, key=self._covered)
        return self._written(name, best, "name")

    def _covered(self, box: Box) -> float:
        return sum(box.overlap(other) for other in self.taken) + 4 * box.beyond(self.window)

    def over(self, name: str, cells: np.ndarray) -> Markup | None:
        """Return the name of a zone over the cells furthest from its border. None where the map shows none of it."""
        if not cells.any():
            return None
        depth = distance_transform_edt(np.pad(cells, 1))[1:-1, 1:-1]
        row, column = np.unravel_index(int(depth.argmax()), cells.shape)
        wide = SIGN_WIDTH * self.size * len(name)
        left = min(max(column + 0.5 - wide / 2, self.window.left), max(self.window.right - wide, self.window.left))
        box = Box(left, row + 0.5 - self.size / 2, left + wide, row + 0.5 + self.size / 2)
        return self._written(name, box, "name zone-name")

    def _written(self, name: str, box: Box, kind: str) -> Markup:
        self.taken.append(box)
        return tag(
            "text", name, x=round(box.left, 2), y=round(box.bottom - 0.2 * self.size, 2), class_=kind,
            font_size=round(self.size, 2), stroke_width=round(0.16 * self.size, 3),
        )  # fmt: skip
