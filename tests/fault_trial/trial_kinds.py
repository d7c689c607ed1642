"""What a kind of fault is: its name, its least size, and which findings call it by its name."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from trial_season import Season

Maker = Callable[[np.random.Generator, Season, str], "np.ndarray | None"]
"""Changes a season at one site in place; returns which rows of the site's table are touched, None where the site's season
has no room for such a fault. For the sites table there are no rows: an empty array."""


@dataclass(frozen=True)
class Kind:
    """A kind of planted fault.

    Parameters
    ----------
    name, size : in words; the least size that is planted.
    table : stations, courses or sites.
    gross : whether a careful person sees it on the page; hard kinds are reported apart.
    rules : the rules, any of which names it right.
    make : the maker.
    reading : the daily value that it spoils: swe_mm, depth_m, or none.
    lasting : goes on for months; few of these stand in one season.
    """

    name: str
    size: str
    table: str
    gross: bool
    rules: tuple[str, ...]
    make: Maker
    reading: str = ""
    lasting: bool = False
