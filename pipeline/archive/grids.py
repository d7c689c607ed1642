"""The grids that a day is made from, by what they are, and the names under which records list them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Generic, TypeVar

T = TypeVar("T")
U = TypeVar("U")


class GridRole(Enum):
    """What a grid is. The value is its name in a record; flights and earlier covers add which one, after a blank."""

    FLIGHT = "flight"
    PAST_PATTERN = "past seasons"
    COVER = "cover"
    EARLIER_COVER = "cover of"
    ALBEDO = "albedo"
    TERRAIN = "terrain"


_SEVERAL = (GridRole.FLIGHT, GridRole.EARLIER_COVER)
"""Roles of which a day has several grids."""


def flight_name(flight_id: str) -> str:
    """Return the name of a flight's grid in a record."""
    return f"{GridRole.FLIGHT.value} {flight_id}"


def earlier_cover_name(date: dt.date) -> str:
    """Return the name of an earlier day's snow-cover grid in a record."""
    return f"{GridRole.EARLIER_COVER.value} {date}"


def grid_role(name: str) -> GridRole | None:
    """Return what a record's name stands for. None for no grid of ours.

    >>> grid_role("flight LF-1"), grid_role("cover"), grid_role("cover of 2031-04-10"), grid_role("courses")
    (<GridRole.FLIGHT: 'flight'>, <GridRole.COVER: 'cover'>, <GridRole.EARLIER_COVER: 'cover of'>, None)
    """
    several = next((role for role in _SEVERAL if name.startswith(f"{role.value} ")), None)
    return several or next((role for role in GridRole if role not in _SEVERAL and role.value == name), None)


@dataclass
class Grids(Generic[T]):
    """The grids of a day, or one value for each grid.

    Parameters
    ----------
    flights : this season's flights by flight_id.
    past_pattern : the snow pattern that earlier seasons' flights share; None where there is none.
    cover : what was seen of the snow cover on the day itself.
    earlier_covers : the same of days before.
    albedo : what was last seen of the snow's albedo.
    terrain : what is fixed on the grid.
    """

    flights: dict[str, T] = field(default_factory=dict)
    past_pattern: T | None = None
    cover: T | None = None
    earlier_covers: dict[dt.date, T] = field(default_factory=dict)
    albedo: T | None = None
    terrain: T | None = None

    @classmethod
    def from_names(cls, named: Mapping[str, T]) -> Grids[T]:
        """Return the grids among what a record names. Names that are no grid's are passed over."""
        grids = cls()
        for name, value in named.items():
            match grid_role(name):
                case GridRole.FLIGHT:
                    grids.flights[name.removeprefix(flight_name(""))] = value
                case GridRole.PAST_PATTERN:
                    grids.past_pattern = value
                case GridRole.COVER:
                    grids.cover = value
                case GridRole.EARLIER_COVER:
                    grids.earlier_covers[dt.date.fromisoformat(name.rsplit(" ", 1)[1])] = value
                case GridRole.ALBEDO:
                    grids.albedo = value
                case GridRole.TERRAIN:
                    grids.terrain = value
        return grids

    def by_name(self) -> dict[str, T]:
        """Return the grids by their names in a record."""
        named = {
            **{flight_name(flight_id): value for flight_id, value in self.flights.items()},
            GridRole.PAST_PATTERN.value: self.past_pattern,
            GridRole.COVER.value: self.cover,
            **{earlier_cover_name(date): value for date, value in self.earlier_covers.items()},
            GridRole.ALBEDO.value: self.albedo,
            GridRole.TERRAIN.value: self.terrain,
        }
        return {name: value for name, value in named.items() if value is not None}

    def map(self, change: Callable[[T], U]) -> Grids[U]:
        """Return the same grids, each changed."""
        return Grids.from_names({name: change(value) for name, value in self.by_name().items()})

    def covers(self, date: dt.date) -> dict[dt.date, T]:
        """Return the snow-cover grids by the day seen. `date` is that of the grids."""
        return self.earlier_covers | ({date: self.cover} if self.cover is not None else {})
