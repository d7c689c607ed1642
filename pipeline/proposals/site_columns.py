"""What is proposed for a table of sites: kinds and coordinates."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pyarrow as pa
from pyproj import Transformer
from pyproj.exceptions import CRSError

from snowtally.inputs import values
from snowtally.inputs.coordinates import Compass, angles
from snowtally.inputs.units import SAME
from snowtally.proposals.cells import Cells
from snowtally.proposals.kinds_known import COURSE, STATION, kind_of
from snowtally.proposals.proposal import BasinHint, Proposal, Refusal, Value
from snowtally.proposals.raw_table import RawTable
from snowtally.proposals.seen_columns import SeenColumn

INSIDE_SHARE = 0.6
"""Sites of a table that lie in the basin or its margin, at least: a regional list holds others too, and is told by none inside."""


@dataclass
class SiteGroup:
    """Files of sites that are written alike, and what is found about them.

    Parameters
    ----------
    columns : by canonical key; a column that is found to tell the kind is added.
    tables : the files' tables.
    kinds : course or station, by the identifier of a site that a table of measurements has.
    unplaced : kinds of the tables of measurements that name no site of a list.
    left : columns that no key takes.
    hint : where the basin lies.
    proposals : found for the whole entry, such as `crs`.
    refusals : what nothing safe can be proposed for.
    """

    columns: dict[str, SeenColumn]
    tables: Sequence[RawTable]
    kinds: Mapping[str, str]
    hint: BasinHint | None
    unplaced: frozenset[str] = frozenset()
    left: Sequence[SeenColumn] = ()
    proposals: list[Proposal] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)

    def refuse(self, column: str, why: str, cure: str) -> None:
        """Note that nothing safe can be proposed for a column."""
        self.refusals.append(Refusal(self.tables[0].path, column, why, cure))


def site_settings(group: SiteGroup) -> Iterator[tuple[str, Proposal]]:
    """Yield the proposals for kind, longitude and latitude by key."""
    kind = _kind(group)
    if kind is not None:
        yield "kind", kind
    if "longitude" in group.columns and "latitude" in group.columns:
        yield from _coordinates(group)


def _kind(group: SiteGroup) -> Proposal | None:
    """Return what is proposed for the kind of sites.

    None where the canonical header holds the canonical words.
    """
    usage, columns = group.kinds, group.columns
    sites = columns["site_id"].cells.texts if "site_id" in columns else ()
    of_kinds = None if "kind" in columns else _column_of_kinds(group, sites)
    if of_kinds is not None:
        columns["kind"] = of_kinds
    if "kind" in columns:
        return _worded_kind(group, sites, usage)
    used = {site: usage[site] for site in sites if site in usage}
    kinds = set(used.values())
    rest = [site for site in sites if site not in used]
    name = " ".join([group.tables[0].path.stem, *group.tables[0].above])
    by_name = kind_of(name)
    if not kinds and by_name and group.unplaced <= {by_name}:
        return Proposal("columns.kind", {"constant": by_name}, f"its name or title '{name}'")
    if len(kinds) == 1 and not (rest and group.unplaced - kinds):
        (kind,) = kinds
        return Proposal("columns.kind", {"constant": kind}, f"{len(used)} of its sites stand in tables of {kind}s")
    if len(kinds) > 1 and "site_id" in columns:
        words: dict[str, Value] = dict(used)
        evidence = "each site's kind by the table that it stands in" + (
            f"; in none: {', '.join(rest)}, which are left out" if rest else ""
        )
        return Proposal("columns.kind", {"column": columns["site_id"].header, "values": words}, evidence)
    others = "".join(f"; its tables of {kind}s name none of these sites" for kind in sorted(group.unplaced))
    group.refuse(
        "",
        f"no column and no other table tells which sites are courses and which are stations{others}",
        "Add a column kind with the words course and station, or declare columns.sites.kind: {constant: course}",
    )
    return None


def _column_of_kinds(group: SiteGroup, sites: Sequence[str]) -> SeenColumn | None:
    """Return the column that may tell kinds under an unknown header.

    It holds two texts, or a few of which the tables of measurements tell all; none of them has sites of both kinds.
    """
    maybe = []
    for column in group.left:
        cells = column.cells
        texts = dict.fromkeys(cells.filled)
        if (
            cells.is_numeric
            or cells.is_dated
            or cells.is_paths
            or not 1 < len(texts) < min(MOST_KINDS, len(cells.filled))
        ):
            continue
        kinds = [_used_as(column, text, sites, group.kinds) for text in texts]
        every = set[str]().union(*kinds)
        if any(len(of) > 1 for of in kinds) or (all(kinds) and len(every) == 1):
            continue
        if all(kinds):
            return _headed(column)
        if len(texts) == len((COURSE, STATION)):
            maybe.append(column)
    return _headed(maybe[0]) if maybe else None


MOST_KINDS = 5
"""Fewer words than this name kinds of sites (chosen: a pillow, a mast and a station are of one kind; more words are regions or owners)."""


def _headed(column: SeenColumn) -> SeenColumn:
    """Return a column with the header that it has where the file has none."""
    return column if column.header else replace(column, header=f"column_{column.position + 1}")


def _used_as(column: SeenColumn, text: str, sites: Sequence[str], usage: Mapping[str, str]) -> set[str]:
    """Return the kinds of the tables of measurements in which sites with a text stand."""
    return {usage[site] for site, one in zip(sites, column.cells.texts, strict=False) if one == text and site in usage}


def _worded_kind(group: SiteGroup, sites: tuple[str, ...], usage: Mapping[str, str]) -> Proposal | None:
    column = group.columns["kind"]
    words: dict[str, Value] = {}
    evidence = []
    for text in dict.fromkeys(column.cells.filled):
        by_usage = _used_as(column, text, sites, usage)
        said = kind_of(text) if text.casefold() not in (COURSE, STATION) else text.casefold()
        kind = said or (next(iter(by_usage)) if len(by_usage) == 1 else None)
        if kind is None or (said is not None and by_usage and said not in by_usage):
            where = (
                f"its sites stand in tables of {' and '.join(sorted(by_usage))}s"
                if by_usage
                else "no table has its sites"
            )
            group.refuse(
                column.header,
                f"'{text}' is not clearly a course or a station: {where}",
                "Say it under columns.sites.kind: {column: "
                + column.header
                + ", values: {"
                + text
                + ": course}}, or station",
            )
            return None
        words[text] = kind
        evidence.append(f"'{text}'" + (f" stands in tables of {kind}s" if by_usage and not said else f" is a {kind}"))
    setting: dict[str, Value] = {}
    if column.header.casefold() != "kind":
        setting["column"] = column.header
    if any(text.casefold() != kind for text, kind in words.items()):
        setting["values"] = words
    return Proposal("columns.kind", setting, ", ".join(evidence)) if setting else None


def _coordinates(group: SiteGroup) -> Iterator[tuple[str, Proposal]]:
    """Yield what is proposed for longitude and latitude; refuse what lies elsewhere."""
    columns, hint = group.columns, group.hint
    lon, lat = columns["longitude"].cells, columns["latitude"].cells
    unit = None
    evidence = f"{lon.shown_range()} and {lat.shown_range()}"
    if lon.is_numeric and lat.is_numeric:
        unit = _unit(group, lon, lat, hint)
        if unit is None and not _is_degrees(lon, lat):
            return
    for key, cells in (("longitude", lon), ("latitude", lat)):
        setting: dict[str, Value] = {}
        header = columns[key].header
        if header.casefold() != key:
            setting["column"] = header
        if unit == DDMM:
            setting["unit"] = DDMM
        if key == "longitude" and (letters := _other_letters(cells)):
            words = _east_or_west(group, lon, lat, letters)
            if words is None:
                return
            setting["values"] = dict(words)
            evidence = f"'{cells.filled[0]}': so the sites lie in the basin"
        if setting:
            shown = cells.shown_range() if cells.is_numeric else f"'{cells.filled[0]}'"
            shown = evidence if "values" in setting else shown or evidence
            yield key, Proposal(f"columns.{key}", setting, f"header '{header}', {shown}")


def _other_letters(cells: Cells) -> list[str]:
    """Return the letters at longitudes that are not east's or west's in English."""
    written = [match[0].upper() for text in cells.few for match in re.finditer(r"^[OØ]|[OØ]$", text, re.IGNORECASE)]
    return list(dict.fromkeys(written))


def _east_or_west(group: SiteGroup, lon: Cells, lat: Cells, letters: Sequence[str]) -> dict[str, str] | None:
    """Return what a letter means.

    West in Spanish and French, east in German and Norwegian; the basin's place decides.
    """
    hint, writing = group.hint, values.Writing(decimal="," if "," in "".join(lon.few) else ".")
    north = _degrees(lat, Compass("NS"), writing)
    for means in "WE" if hint is not None else "":
        words = dict.fromkeys(letters, means)
        compass = Compass("EW", {letter.casefold(): means for letter in letters})
        if hint is not None and _inside(_degrees(lon, compass, writing), north, hint) >= INSIDE_SHARE:
            return words
    group.refuse(
        group.columns["longitude"].header,
        f"{' or '.join(letters)} is west in Spanish and French, east in German and Norwegian, and by neither do the sites lie in the "
        "basin",
        "Declare it as columns.sites.longitude.values: {O: W}, or write E and W",
    )
    return None


def _degrees(cells: Cells, compass: Compass, writing: values.Writing) -> np.ndarray:
    """Return a column's angles, degrees, NaN where there is none."""
    texts = pa.array([text or None for text in cells.texts], pa.string())
    return angles(texts, compass, writing, SAME)[0]


DDMM = "ddmm"
"""The unit of degrees and minutes in one number: 4612.50 (`snowtally.inputs.units`)."""

MOST_EAST, POLE, HOUR = 360.0, 90.0, 60.0
"""Degrees of longitude and latitude, and minutes, at most."""


def _is_degrees(lon: Cells, lat: Cells) -> bool:
    return bool((np.abs(lon.known) <= MOST_EAST).all() and (np.abs(lat.known) <= POLE).all())


def _unit(group: SiteGroup, lon: Cells, lat: Cells, hint: BasinHint | None) -> str | None:
    """Return the unit of coordinates where it is declared.

    Propose a projected system; refuse what fits nothing.
    """
    x, y = lon.numbers, lat.numbers
    lon_header, lat_header = group.columns["longitude"].header, group.columns["latitude"].header
    if _is_degrees(lon, lat):
        if hint is None or _inside(x, y, hint) >= INSIDE_SHARE or _inside(x, y, hint) > 0:
            return None
        for a, b, why, cure in (
            (y, x, f"'{lon_header}' and '{lat_header}' look exchanged", "Exchange the two headers"),
            (-x, y, f"'{lon_header}' lacks the minus of western longitudes", "Write them with a minus"),
        ):
            if _inside(a, b, hint) >= INSIDE_SHARE:
                group.refuse(lon_header, f"{why}: so the sites would lie in the basin, as written none does", cure)
                return None
        group.refuse(
            lon_header,
            f"none of the sites lies in the basin (longitudes {lon.shown_range()}, latitudes {lat.shown_range()})",
            "Mend the coordinates, or take the file out of the folder",
        )
        return None
    degrees, minutes = np.divmod(np.abs(np.stack([x, y])), 100.0)
    if (
        (minutes[np.isfinite(minutes)] < HOUR).all()
        and np.nanmax(degrees[1]) <= POLE
        and np.nanmax(degrees[0]) <= MOST_EAST
    ):
        east, north = np.sign(np.stack([x, y])) * (degrees + minutes / HOUR)
        inside = 1.0 if hint is None else _inside(east, north, hint)
        if inside >= INSIDE_SHARE:
            return DDMM
    named = [crs for key in ("longitude", "latitude") if (crs := group.columns[key].words.crs)]
    for crs in () if hint is None else dict.fromkeys([*named, *hint.crs]):
        try:
            east, north = Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(x, y)
        except CRSError:
            continue
        if hint is not None and _inside(np.asarray(east), np.asarray(north), hint) >= INSIDE_SHARE:
            group.proposals.append(
                Proposal(
                    "crs",
                    crs,
                    f"'{lon_header}' {lon.shown_range()}, '{lat_header}' {lat.shown_range()} lie in the basin by it",
                )
            )
            return crs
    group.refuse(
        lon_header,
        f"coordinates {lon.shown_range()} and {lat.shown_range()} are no degrees, and in no system of the folder's rasters lie in the basin",
        "Declare their coordinate system as formats.sites.crs",
    )
    return None


def _inside(x: np.ndarray, y: np.ndarray, hint: BasinHint) -> float:
    there = np.isfinite(x) & np.isfinite(y)
    inside = (x >= hint.west) & (x <= hint.east) & (y >= hint.south) & (y <= hint.north)
    return float(inside[there].mean()) if there.any() else 0.0
