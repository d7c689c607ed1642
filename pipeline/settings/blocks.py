"""The blocks of a basin's settings. docs/settings.md is the table for people."""

from __future__ import annotations

import codecs
import datetime as dt
import re
from pathlib import Path
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BeforeValidator, Field, PlainSerializer, field_validator, model_validator

from snowtally.courses.limits import CourseLimits
from snowtally.flights.limits import FlightLimits
from snowtally.inputs.lengths import length_m
from snowtally.model.block import Block

SnowClass = Literal["tundra", "taiga", "maritime", "alpine", "prairie"]


class BasinBlock(Block):
    """What the basin is called, where its outline stands, and its clock."""

    id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]+$", description="letters, digits, '-' and '_'")]
    title: str
    zones: Path
    zones_layer: str | None = None
    utc_offset_hours: Annotated[float, Field(ge=-12, le=14)]
    season_start: str = "10-01"
    margin_m: Annotated[float, Field(ge=0, le=50_000)] = 5000.0

    @field_validator("season_start", mode="before")
    @classmethod
    def _is_month_day(cls, value: object) -> str:
        try:
            # A leap year, so that 02-29 is refused for the other three by the season's own arithmetic only.
            dt.datetime.strptime(f"2028-{value}", "%Y-%m-%d")  # noqa: DTZ007  a day of the calendar, of no zone
        except ValueError:
            raise ValueError("is not a month and day such as 10-01") from None
        return str(value)


class Grid(Block):
    """The cells of the estimate."""

    crs: str
    cell_m: Annotated[float, Field(gt=0, le=5000)] = 100.0


class Bands(Block):
    """Elevation bands: edges at multiples of a width, or given."""

    width_m: Annotated[float, Field(ge=1, le=10_000)] | None = None
    edges_m: Annotated[list[float], Field(min_length=2)] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Bands:
        if (self.width_m is None) == (self.edges_m is None):
            raise ValueError("give either width_m or edges_m")
        if self.edges_m is not None and any(b <= a for a, b in zip(self.edges_m, self.edges_m[1:], strict=False)):
            raise ValueError("edges_m must rise")
        return self


def _as_list(value: object) -> object:
    return [value] if isinstance(value, str) else value


def _as_written(patterns: list[str]) -> str | list[str]:
    return patterns[0] if len(patterns) == 1 else patterns


Patterns = Annotated[list[str], BeforeValidator(_as_list)]
"""A path, a list of paths or a glob."""

Required = Annotated[Patterns, Field(min_length=1), PlainSerializer(_as_written)]
"""The same with one path at least. One alone stands in a record as it is written, as in records of before."""


def _is_left_out(value: object) -> bool:
    return value in (None, [], {}, 0)


class Terrain(Block):
    """The ground: elevation, canopy cover as a fraction, and what the elevation's files do not say of themselves.

    Parameters
    ----------
    elevation, canopy : a raster, or its tiles; of tiles that overlap the first counts.
    elevation_unit : unit of heights in files that declare none.
    voids : heights, as stored, that mean that nothing was measured.
    """

    elevation: Required
    canopy: Required | None = None
    elevation_unit: Annotated[str | None, Field(exclude_if=_is_left_out)] = None
    voids: Annotated[list[float], Field(exclude_if=_is_left_out)] = Field(default_factory=list)

    @field_validator("elevation_unit")
    @classmethod
    def _is_length(cls, value: str | None) -> str | None:
        if value is not None and length_m(value) is None:
            raise ValueError("is no length known here, such as metre, foot or US survey foot")
        return value

    @field_validator("voids", mode="before")
    @classmethod
    def _one_or_more(cls, value: object) -> object:
        return [value] if isinstance(value, int | float) else value


class Inputs(Block):
    """The input tables.

    All but sites are optional.
    """

    sites: Required
    courses: Patterns = Field(default_factory=list)
    stations: Patterns = Field(default_factory=list)
    flights: Patterns = Field(default_factory=list)
    covers: Patterns = Field(default_factory=list)
    weather: Patterns = Field(default_factory=list)
    overrides: Patterns = Field(default_factory=list)
    normals: Patterns = Field(default_factory=list)


class Column(Block):
    """How a table gives a canonical column. pipeline/inputs/columns.py says what each key means."""

    column: str | None = None
    unit: str | None = None
    constant: Annotated[str | None, Field(coerce_numbers_to_str=True)] = None
    file_name: str | None = None
    title: Annotated[str | None, Field(exclude_if=_is_left_out)] = None
    sheet_name: Annotated[str | None, Field(exclude_if=_is_left_out)] = None
    values: Annotated[dict[str, str], Field(exclude_if=_is_left_out)] = Field(default_factory=dict)


class Monthly(Block):
    """A course table with a row a season, and a group of columns a month."""

    season: str
    group: Annotated[list[str], Field(min_length=1)]


class Format(Block):
    """How some files of a table are written. pipeline/inputs/formats.py says what each key means."""

    files: str = "*"
    separator: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    dates: str = "year-first"
    encoding: str | None = None
    comment: Annotated[str, Field(min_length=1)] | None = None
    sheet: str | None = None
    skip_lines: Annotated[int, Field(ge=0, exclude_if=_is_left_out)] = 0
    header: Annotated[list[str], Field(exclude_if=_is_left_out)] = Field(default_factory=list)
    wide: str | None = None
    elements: Annotated[dict[str, str], Field(exclude_if=_is_left_out)] = Field(default_factory=dict)
    monthly: Annotated[Monthly | None, Field(exclude_if=_is_left_out)] = None
    stations: dict[str, str] = Field(default_factory=dict)
    clock: float | str | None = None
    clocks: dict[str, float | str] = Field(default_factory=dict)
    columns: dict[str, Column] = Field(default_factory=dict)
    crs: Annotated[str | None, Field(exclude_if=_is_left_out)] = None

    @field_validator("separator")
    @classmethod
    def _one_byte(cls, value: str | None) -> str | None:
        if value is not None and (not value.isascii() or value in '\r\n"\0'):
            raise ValueError("must be one character such as ';' or a tab, no quote and no line end")
        return value

    @model_validator(mode="after")
    def _dates_are_known(self) -> Format:
        if self.dates not in DATE_ORDERS and (why := _no_date(self.dates, with_year=self.monthly is None)):
            raise ValueError(f"dates: '{self.dates}' {why}")
        return self

    @field_validator("encoding")
    @classmethod
    def _is_known(cls, value: str | None) -> str | None:
        try:
            known = value is None or codecs.lookup(value)._is_text_encoding  # noqa: SLF001  base64 and the like are codecs too
        except LookupError:
            known = False
        if not known:
            raise ValueError("is no text encoding, such as cp1252 or utf-16")
        return value

    @field_validator("clock", "clocks")
    @classmethod
    def _is_clock(cls, value: object) -> object:
        for clock in value.values() if isinstance(value, dict) else [value]:
            if isinstance(clock, str) and not _is_zone(clock):
                raise ValueError(f"'{clock}' is neither hours east of UTC nor an IANA time zone")
            if isinstance(clock, float) and not HOURS_EAST[0] <= clock <= HOURS_EAST[1]:
                raise ValueError("hours east of UTC lie from -12 to 14")
        return value


DATE_ORDERS = ("year-first", "day-first", "month-first", "excel-serial")
"""Ways of writing a date that have a word; any other is a pattern of strptime."""


def _no_date(pattern: str, *, with_year: bool) -> str:
    """Return why a pattern of strptime gives no date, empty where it does."""
    if "%" not in pattern:
        return f"is none of {', '.join(DATE_ORDERS)}, and no pattern such as %d.%m.%y"
    one = dt.datetime(2027, 11, 23, 16, 45, 50, tzinfo=dt.UTC)
    try:
        again = dt.datetime.strptime(one.strftime(pattern), pattern).replace(tzinfo=dt.UTC)
    except (ValueError, re.error):
        return "is no pattern that a date can be read by (%Y or %y, %m or %b, %d; see Python's strptime)"
    if (again.month, again.day) != (one.month, one.day):
        return "gives no month and day"
    return "gives no year" if with_year and again.year != one.year else ""


HOURS_EAST = (-12, 14)
"""No clock on earth is further from UTC."""


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


class Checks(CourseLimits):
    """Limits of the checks on ground measurements. docs/checks.md gives the reason and the source of each.

    Parameters
    ----------
    site_elevation_m : a stated elevation further than this from the terrain's is noted, m.
    least_usable_share : a file with a smaller share of usable rows degrades the night.
    most_changed_share : values of which a larger share changed since the newest sound revision degrade the night.
    """

    site_elevation_m: Annotated[float, Field(gt=0)] = 150.0
    least_usable_share: Annotated[float, Field(gt=0, le=1)] = 0.9
    most_changed_share: Annotated[float, Field(gt=0, le=1)] = 0.5


class Flights(FlightLimits):
    """How a flight is used.

    Its limits and their reasons stand in pipeline/flights/limits.py and docs/settings.md.
    """

    water: Path | None = None
    most_ground_offset_m: Annotated[float, Field(gt=0)] = 0.3
    apply_ground_offset: bool = False


class Courses(Block):
    """What is known of the course samplers.

    By the text under `sampler`, the share by which it weighs too much.
    """

    sampler_bias: dict[str, Annotated[float, Field(ge=-0.5, le=0.5)]] = Field(default_factory=dict)


class Density(Block):
    """The published relation that density starts from."""

    snow_class: SnowClass = "alpine"


class Blend(Block):
    """How backgrounds are chosen, and the prevailing wind.

    docs/settings.md gives the reasons.
    """

    method: Literal["auto", "kriging", "trees"] = "auto"
    wind_from_deg: Annotated[float, Field(ge=0, le=360)] = 270.0


class PlanLimits(Block):
    """Where `snowtally plan` may propose to measure. docs/plan.md gives the reason of each."""

    candidates: Path | None = None
    trails: Path | None = None
    most_trail_distance_m: Annotated[float, Field(gt=0)] = 1000.0
    most_slope_degrees: Annotated[float, Field(gt=0, le=90)] = 20.0
    strip_width_m: Annotated[float, Field(gt=0)] = 2000.0


class Dask(Block):
    """A dask.distributed cluster.

    Its workers see the input files under the same paths.
    """

    address: Annotated[str, Field(pattern=r"^(tcp|tls|ws|wss)://[^\s/]+:\d+$")] | None = None


class Report(Block):
    """How the pages and the command line tell totals."""

    units: Literal["metric", "us"] = "metric"
