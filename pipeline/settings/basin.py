"""The settings of one basin: one YAML file, every key checked, units and reasons beside each threshold.

Paths are relative to the settings file. docs/settings.md is the table for people.
"""

from __future__ import annotations

import codecs
import datetime as dt
import difflib
import hashlib
import json
import os
import re
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from pipeline.flights.limits import FlightLimits
from pipeline.inputs.find import is_file
from pipeline.model.basin import BasinDay
from pipeline.model.problems import SettingsError
from pipeline.model.season import first_of_season
from pipeline.settings.operations import Operations
from pipeline.storage.places import cache_folder, in_store, named_place, outside_archives

SNOW_CLASSES = ("tundra", "taiga", "maritime", "alpine", "prairie")


class _Block(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class BasinBlock(_Block):
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
            message = "is not a month and day such as 10-01"
            raise ValueError(message) from None
        return str(value)


class Grid(_Block):
    """The cells of the estimate."""

    crs: str
    cell_m: Annotated[float, Field(gt=0, le=5000)] = 100.0


class Bands(_Block):
    """Elevation bands: edges at multiples of a width, or given."""

    width_m: Annotated[float, Field(ge=1, le=10_000)] | None = None
    edges_m: Annotated[list[float], Field(min_length=2)] | None = None

    @model_validator(mode="after")
    def _one_way(self) -> Bands:
        if (self.width_m is None) == (self.edges_m is None):
            message = "give either width_m or edges_m"
            raise ValueError(message)
        if self.edges_m is not None and any(b <= a for a, b in zip(self.edges_m, self.edges_m[1:], strict=False)):
            message = "edges_m must rise"
            raise ValueError(message)
        return self


class Terrain(_Block):
    """The ground: elevation in metres and canopy cover as a fraction."""

    elevation: Path
    canopy: Path | None = None


class Inputs(_Block):
    """The input tables; each but sites optional, each but sites a path, a list of paths or a glob."""

    sites: Path
    courses: list[str] = []
    stations: list[str] = []
    flights: list[str] = []
    covers: list[str] = []
    weather: list[str] = []
    overrides: list[str] = []
    normals: list[str] = []

    @field_validator("courses", "stations", "flights", "covers", "weather", "overrides", "normals", mode="before")
    @classmethod
    def _as_list(cls, value: object) -> object:
        return [value] if isinstance(value, str) else value


class Column(_Block):
    """Where a canonical column stands in the user's table, or what gives its value in every row, and in which unit."""

    column: str | None = None
    unit: str | None = None
    constant: Annotated[str | None, Field(coerce_numbers_to_str=True)] = None
    file_name: str | None = None


class Format(_Block):
    """How some files of a table are written. pipeline/inputs/formats.py says what each key means."""

    files: str = "*"
    separator: Annotated[str, Field(min_length=1, max_length=1)] | None = None
    decimal: Literal[".", ","] = "."
    dates: Literal["year-first", "day-first", "month-first", "excel-serial"] = "year-first"
    encoding: str | None = None
    comment: Annotated[str, Field(min_length=1)] | None = None
    sheet: str | None = None
    wide: str | None = None
    stations: dict[str, str] = {}
    clock: float | str | None = None
    clocks: dict[str, float | str] = {}
    columns: dict[str, Column] = {}

    @field_validator("separator")
    @classmethod
    def _one_byte(cls, value: str | None) -> str | None:
        if value is not None and (not value.isascii() or value in '\r\n"\0'):
            raise ValueError("must be one character such as ';' or a tab, no quote and no line end")
        return value

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


HOURS_EAST = (-12, 14)
"""No clock on earth is further from UTC."""


def _is_zone(name: str) -> bool:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


class Checks(_Block):
    """Thresholds of the checks on ground measurements. docs/checks.md gives the reason and the source of each."""

    density_low_kg_m3: Annotated[float, Field(gt=0)] = 50.0
    density_high_kg_m3: Annotated[float, Field(gt=0, le=917)] = 600.0
    density_least_depth_m: Annotated[float, Field(ge=0)] = 0.2
    core_over_depth: Annotated[float, Field(ge=1)] = 1.03
    core_under_depth: Annotated[float, Field(ge=0, le=1)] = 0.8
    point_outlier_mad: Annotated[float, Field(gt=0)] = 3.5
    mix_up_odds: Annotated[float, Field(gt=1)] = 150.0
    course_outlier_sd: Annotated[float, Field(gt=0)] = 3.5
    neighbour_elevation_m: Annotated[float, Field(gt=0)] = 300.0
    neighbour_days: Annotated[float, Field(ge=0)] = 12.0
    nominal_days: Annotated[float, Field(gt=0)] = 20.0
    few_points: Annotated[int, Field(ge=1)] = 5
    thin_snow_m: Annotated[float, Field(ge=0)] = 0.05
    bulk_swe_mm: Annotated[float, Field(ge=0)] = 50.8
    swe_high_mm: Annotated[float, Field(gt=0)] = 4000.0
    depth_high_m: Annotated[float, Field(gt=0)] = 12.0
    site_elevation_m: Annotated[float, Field(gt=0)] = 150.0
    least_usable_share: Annotated[float, Field(gt=0, le=1)] = 0.9
    most_changed_share: Annotated[float, Field(gt=0, le=1)] = 0.5

    @model_validator(mode="after")
    def _low_below_high(self) -> Checks:
        if self.density_low_kg_m3 >= self.density_high_kg_m3:
            raise ValueError("density_low_kg_m3 must be below density_high_kg_m3")
        return self


class Flights(FlightLimits):
    """How a flight is used; its limits and their reasons stand in pipeline/flights/limits.py and docs/settings.md."""

    water: Path | None = None
    most_ground_offset_m: Annotated[float, Field(gt=0)] = 0.3
    apply_ground_offset: bool = False


class Stations(_Block):
    """When a station counts as silent, and what its readings can do. docs/checks.md gives the reason of each."""

    silent_days: Annotated[float, Field(gt=0)] = 5.0
    flat_line_days: Annotated[float, Field(gt=0)] = 4.0
    snowfall_mm_hour: Annotated[float, Field(gt=0)] = 20.0
    snowfall_mm_day: Annotated[float, Field(gt=0)] = 120.0
    melt_mm_hour: Annotated[float, Field(gt=0)] = 10.0
    melt_mm_day: Annotated[float, Field(gt=0)] = 100.0
    depth_rise_m_hour: Annotated[float, Field(gt=0)] = 0.2
    depth_rise_m_day: Annotated[float, Field(gt=0)] = 1.5
    depth_fall_m_hour: Annotated[float, Field(gt=0)] = 0.12
    depth_fall_m_day: Annotated[float, Field(gt=0)] = 0.5
    step_mm: Annotated[float, Field(gt=0)] = 20.0
    zero_drift_mm: Annotated[float, Field(gt=0)] = 20.0
    air_off_k: Annotated[float, Field(gt=0)] = 15.0
    inversion_k: Annotated[float, Field(ge=0)] = 20.0
    catch_factor: Annotated[float, Field(gt=1)] = 5.0


class Courses(_Block):
    """What is known of the course samplers: by the text under `sampler`, the share by which it weighs too much."""

    sampler_bias: dict[str, Annotated[float, Field(ge=-0.5, le=0.5)]] = {}


class Density(_Block):
    """The published relation that density starts from."""

    snow_class: Literal["tundra", "taiga", "maritime", "alpine", "prairie"] = "alpine"


class Blend(_Block):
    """How backgrounds are chosen, and the wind that has to do with where snow lies. docs/settings.md gives the reasons."""

    method: Literal["auto", "kriging", "trees"] = "auto"
    wind_from_deg: Annotated[float, Field(ge=0, le=360)] = 270.0


class Plan(_Block):
    """Where `snowtally plan` may propose to measure. docs/plan.md gives the reason of each."""

    candidates: Path | None = None
    trails: Path | None = None
    most_trail_distance_m: Annotated[float, Field(gt=0)] = 1000.0
    most_slope_degrees: Annotated[float, Field(gt=0, le=90)] = 20.0
    strip_width_m: Annotated[float, Field(gt=0)] = 2000.0


class Dask(_Block):
    """A dask.distributed cluster whose workers see the input files under the same paths."""

    address: Annotated[str, Field(pattern=r"^(tcp|tls|ws|wss)://[^\s/]+:\d+$")] | None = None


class Report(_Block):
    """How the pages and the command line tell totals."""

    units: Literal["metric", "us"] = "metric"


NOT_OF_THE_DAY = ("archive", "dask", "plan", "report")
"""Settings that do not decide what a day's estimate is: where it is made and kept, what is told besides."""


class Settings(_Block):
    """The settings of one basin, as read."""

    basin: BasinBlock
    grid: Grid
    bands: Bands = Bands(width_m=200.0)
    terrain: Terrain
    inputs: Inputs
    columns: dict[str, dict[str, Column]] = {}
    formats: dict[str, list[Format]] = {}
    missing: list[str] = ["-9999", "", "M"]
    checks: Checks = Checks()
    courses: Courses = Courses()
    stations: Stations = Stations()
    flights: Flights = Flights()
    density: Density = Density()
    blend: Blend = Blend()
    plan: Plan = Plan()
    dask: Dask = Dask()
    operations: Operations = Operations()
    report: Report = Report()
    archive: str

    _file: Path = Path()

    @field_validator("missing", mode="before")
    @classmethod
    def _codes_as_text(cls, value: object) -> object:
        codes = value if isinstance(value, list) else [value]
        if any(code is None for code in codes):
            message = "give codes as text, such as [-9999, '', M]; leave the key out for these"
            raise ValueError(message)
        return [str(code) for code in codes]

    @field_validator("formats", mode="before")
    @classmethod
    def _one_or_many(cls, value: object) -> object:
        if not isinstance(value, dict):
            return value
        return {role: [entry] if isinstance(entry, dict) else entry for role, entry in value.items()}

    @property
    def file(self) -> Path:
        """The settings file these were read from."""
        return self._file

    def path(self, relative: Path | str) -> Path:
        """Return a path of the settings as an absolute one: relative paths start at the settings file."""
        # A link that leads to itself stays as it is, and is told where the file is read.
        return Path(os.path.realpath(self._file.parent / relative))

    def cache_folder(self, name: str) -> Path:
        """Return a folder beside the archive's entries for what took long to make; it may be deleted at any time."""
        return cache_folder(self.archive_root) / name

    @property
    def archive_root(self) -> Path:
        """Where the archive is: a folder, or a place in an object store."""
        return named_place(self.archive, self._file.parent)

    def season_start(self, date: dt.date) -> dt.date:
        """Return the first day of the snow season that holds `date`."""
        return first_of_season(date, self.basin.season_start)

    def day(self, date: dt.date) -> BasinDay:
        """Return a day of the basin in its season."""
        return BasinDay(self.basin.id, date, self.season_start(date))

    def as_used(self) -> dict[str, Any]:
        """Return the settings as plain values with every default filled in, for the record; how nights are run is left out.

        The address of an alert may be a secret, and a record is for everybody.
        """
        return json.loads(self.model_dump_json(exclude={"operations"}))

    def identity(self) -> str:
        """Return the sha256 of the settings as used, without those that do not decide what a day is (`NOT_OF_THE_DAY`)."""
        used = {key: value for key, value in self.as_used().items() if key not in NOT_OF_THE_DAY}
        return hashlib.sha256(json.dumps(used, sort_keys=True).encode()).hexdigest()


def read_settings(path: Path | str) -> Settings:
    """Read and check a settings file.

    Raises
    ------
    SettingsError : the file is missing, is not YAML, has an unknown key, an impossible value, or names a required file
        that does not exist. One line: which key, what is wrong, what to do.
    """
    file = Path(os.path.realpath(path))
    try:
        text = file.read_text(encoding="utf-8")
    except FileNotFoundError:
        message = (
            f"settings file {path} does not exist. Give the path of a basin's YAML file, such as configs/larkmoor.yaml"
        )
        raise SettingsError(message) from None
    except (OSError, UnicodeDecodeError) as trouble:
        message = f"settings file {path} cannot be read: {getattr(trouble, 'strerror', None) or trouble}"
        raise SettingsError(message) from None
    try:
        content = yaml.load(text, Loader=_PlainLoader)  # noqa: S506  a SafeLoader whose dates stay text
    except yaml.YAMLError as trouble:
        place = getattr(trouble, "problem_mark", None)
        where = f" at line {place.line + 1}" if place is not None else ""
        message = f"settings file {path}{where} is not valid YAML: {getattr(trouble, 'problem', trouble)}"
        raise SettingsError(message) from None
    except RecursionError:
        message = f"settings file {path} is nested too deeply: settings have four levels at most. Look for brackets that are never closed"
        raise SettingsError(message) from None
    except (ValueError, TypeError, AttributeError, ArithmeticError, LookupError) as trouble:
        message = f"settings file {path} holds a value that cannot be read: {trouble}"
        raise SettingsError(message) from None
    if not isinstance(content, dict):
        message = f"settings file {path} must hold a mapping of keys such as basin:, grid:, inputs:"
        raise SettingsError(message)
    try:
        settings = Settings.model_validate(content)
    except ValidationError as trouble:
        message = f"settings {file.name}: " + "; ".join(_in_words(error) for error in trouble.errors())
        raise SettingsError(message) from None
    settings._file = file  # noqa: SLF001  the one place that knows where the settings came from
    _check_required_files(settings)
    _check_archive(settings)
    return settings


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML in which 10-01 and 2031-03-01 stay text, and in which no key stands twice."""

    def construct_scalar(self, node: yaml.ScalarNode) -> str:
        value = super().construct_scalar(node)
        # No path, name or code has one, and the system ends a path there.
        if isinstance(value, str) and "\0" in value:
            raise yaml.constructor.ConstructorError(
                None, None, "a zero character stands in a text: take it out", node.start_mark
            )
        return value

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict:
        first: dict[str, int] = {}
        for key, _ in node.value:
            if not isinstance(key, yaml.ScalarNode):
                continue
            if key.value in first:
                told = f"key {key.value} is given twice, first at line {first[key.value] + 1}: take one out"
                raise yaml.constructor.ConstructorError(None, None, told, key.start_mark)
            # A merge may stand several times, and what it brings is not written here.
            if key.tag != "tag:yaml.org,2002:merge":
                first[key.value] = key.start_mark.line
        return super().construct_mapping(node, deep)


_PlainLoader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def _in_words(error: dict[str, Any]) -> str:
    """Return one pydantic error as `key: what is wrong`."""
    place = [str(part) for part in error["loc"]]
    key = ".".join(place)
    if error["type"] == "extra_forbidden":
        return f"unknown key {key}. {_known_keys(place)}"
    if error["type"] == "missing":
        return f"{key} is missing"
    if error.get("input", "") is None:
        return f"{key} is empty. Give it a value, or take the key out where it is optional"
    message = error["msg"].removeprefix("Value error, ")
    value = error.get("input")
    given = f" (given: {value!r})" if isinstance(value, str | int | float) else ""
    if key.endswith("snow_class"):
        message = "must be one of " + ", ".join(SNOW_CLASSES)
    if error["type"] == "string_pattern_mismatch":
        message = "may hold letters, digits, '-' and '_' only"
    return f"{key}: {re.sub(r'^Input s', 's', message)}{given}"


def _known_keys(place: list[str]) -> str:
    """Return the known keys beside an unknown one, the nearest first."""
    block: type[BaseModel] = Settings
    for part in place[:-1]:
        field = block.model_fields.get(part)
        inner = field.annotation if field is not None else Column
        block = inner if isinstance(inner, type) and issubclass(inner, BaseModel) else Column
    known = list(block.model_fields)
    near = difflib.get_close_matches(place[-1], known, n=1)
    return f"Did you mean {near[0]}?" if near else "Known keys here: " + ", ".join(known)


def _check_required_files(settings: Settings) -> None:
    required = {
        "basin.zones": settings.basin.zones,
        "terrain.elevation": settings.terrain.elevation,
        "inputs.sites": settings.inputs.sites,
    }
    for key, relative in required.items():
        path = settings.path(relative)
        if not is_file(path):
            why = (
                "leads nowhere: it is a link to itself or to a file that is gone"
                if path.is_symlink()
                else "does not exist"
            )
            message = (
                f"settings {settings.file.name}: {key}: file {path} {why}. Paths are relative to the settings file"
            )
            raise SettingsError(message)


def _check_archive(settings: Settings) -> None:
    """Refuse to begin an archive inside another one; what lies so already is left to its people."""
    root = settings.archive_root
    if not in_store(root) and not (root / "archive.json").exists():
        outside_archives(root.parent, "settings: archive: the folder")
