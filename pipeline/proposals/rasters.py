"""Which raster is what.

Elevation and its unit and voids, canopy, flights, snow cover and albedo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np
import pandas as pd

from snowtally.inputs.lengths import length_m
from snowtally.inputs.raster_band import ELEVATIONS
from snowtally.inputs.rasters import ROUNDING
from snowtally.proposals.names import has_word
from snowtally.proposals.proposal import Proposal, Refusal, Value
from snowtally.proposals.raster_facts import Box, RasterFacts, abutting, shares_of, values_at


class RasterKind(Enum):
    """What a raster may be."""

    ELEVATION = "elevation"
    CANOPY = "canopy"
    COVER = "snow_cover_fraction"
    ALBEDO = "snow_albedo"
    DEPTH = "depth"
    SNOW_ON = "snow_on"
    SNOW_OFF = "snow_off"
    STABLE = "stable_ground"
    WATER = "water"


WORDS = {
    RasterKind.ELEVATION: "dem dtm dgm dsm mnt mdt elevation elev height heights altitude altitud terrain topo topography srtm hoehe höhe relief",
    RasterKind.CANOPY: "canopy tree trees forest tcc vegetation wald foret forêt bosque crown",
    RasterKind.COVER: "scf fsc fsca sca scag snowcover covered cover",
    RasterKind.ALBEDO: "albedo",
    RasterKind.DEPTH: "depth snowdepth sd hs tiefe hauteur epaisseur espesor",
    RasterKind.SNOW_ON: "on winter snowon",
    RasterKind.SNOW_OFF: "off summer bare snowoff baresoil snowfree",
    RasterKind.STABLE: "stable",
    RasterKind.WATER: "water lake lakes",
}
NO_INPUT_WORDS = (
    "hillshade shade slope aspect shaded curvature uncertainty error std stdev swe density flag count quality"
)
"""Words of the names of rasters, in the languages that such files are named in (common practice, no source)."""

LEAST_RELIEF = 30.0
"""Heights of a basin with snow differ by more than this, in any unit (chosen); depths and fractions do not in metres."""


def kind_of(raster: RasterFacts) -> RasterKind | str:
    """Return what a raster is by its name and values.

    A text where it is no input, or cannot be told.
    """
    name = raster.path.stem
    if not raster.stored.size:
        return "it holds no data"
    if has_word(name, NO_INPUT_WORDS):
        return "its name says that it is a product that no setting needs"
    if raster.bands > 1:
        return f"it has {raster.bands} bands. Save the band that is wanted as a file of its own"
    return _by_name_and_values(raster, name)


def _by_name_and_values(raster: RasterFacts, name: str) -> RasterKind | str:
    named = {kind: has_word(name, words) for kind, words in WORDS.items()}
    is_fraction = _fraction_unit(raster) != ""
    is_cover = is_fraction and named[RasterKind.COVER] and not named[RasterKind.CANOPY]
    heights = _relief(raster) > LEAST_RELIEF and not (is_fraction and (named[RasterKind.CANOPY] or is_cover))
    dated = raster.date is not None
    kinds: list[tuple[bool, RasterKind | str]] = [
        (raster.is_mask and named[RasterKind.STABLE], RasterKind.STABLE),
        (raster.is_mask and named[RasterKind.WATER], RasterKind.WATER),
        (is_fraction and named[RasterKind.ALBEDO], RasterKind.ALBEDO if dated else UNDATED),
        (heights and named[RasterKind.SNOW_ON], RasterKind.SNOW_ON if dated else UNDATED),
        (heights and named[RasterKind.SNOW_OFF], RasterKind.SNOW_OFF),
        (named[RasterKind.DEPTH], RasterKind.DEPTH if dated else UNDATED),
        (is_cover, RasterKind.COVER if dated else UNDATED),
        # A date in an elevation's name is that of its survey.
        (heights and (named[RasterKind.ELEVATION] or not dated), RasterKind.ELEVATION),
        (
            dated,
            "its name does not say what it holds. Put depth, snow_cover or albedo into the name, or list it in a table",
        ),
        (is_fraction and (named[RasterKind.CANOPY] or not raster.is_mask), RasterKind.CANOPY),
        (True, "neither its name nor its values say what it is"),
    ]
    return next(kind for holds, kind in kinds if holds)


UNDATED = "its name holds no date. Write the date into the name, such as depth_20310327.tif, or list it in a table"


def _relief(raster: RasterFacts) -> float:
    low, high = np.percentile(raster.values, [2, 98])
    return float(high - low)


PER_CENT = 100.0
"""The whole, in per cents."""


def _fraction_unit(raster: RasterFacts) -> str:
    """Return whether values are fractions ("1"), per cents ("%"), or neither ("")."""
    if raster.low < -ROUNDING:
        return ""
    if raster.high <= 1 + ROUNDING:
        return "1"
    return "%" if raster.high <= PER_CENT + 1 else ""


def fraction_refusal(raster: RasterFacts) -> str:
    """Return why a raster of fractions cannot be used as it is, and the cure; empty where it can."""
    if _fraction_unit(raster) == "1" or raster.unit in ("%", "percent", "per cent"):
        return ""
    return (
        f"it holds values up to {raster.high:.0f}, per cents it seems, and does not say so. "
        "Write the unit % into it (for example with gdal_edit -units %), and run init again"
    )


# --- the elevation ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Elevation:
    """The raster that is proposed for the elevation, or its tiles.

    Parameters
    ----------
    tiles : its rasters.
    proposals : of `terrain.elevation`, `terrain.voids` and `terrain.elevation_unit`.
    metres_per_unit : of its stored heights; None while nothing decides it.
    voids : stored values that mean that nothing was measured.
    """

    tiles: tuple[RasterFacts, ...]
    proposals: tuple[Proposal, ...] = ()
    metres_per_unit: float | None = None
    voids: tuple[float, ...] = field(default=())

    @property
    def heights(self) -> np.ndarray:
        """The heights read, m, without voids.

        As they are where the unit is not known.
        """
        parts = [one.values[~np.isin(one.stored, self.voids)] for one in self.tiles]
        values = np.concatenate(parts) * (self.metres_per_unit or 1.0)
        low, high = ELEVATIONS.believable
        return values[(values > low) & (values < high)]

    def heights_at(self, longitude: np.ndarray, latitude: np.ndarray) -> np.ndarray:
        """Return the terrain's heights at points in degrees, m.

        NaN outside and in voids.
        """
        values = values_at(list(self.tiles), longitude, latitude)
        stored = [one.scale * void + one.offset for one in self.tiles for void in self.voids]
        values[np.isin(values, stored)] = np.nan
        values = values * (self.metres_per_unit or 1.0)
        low, high = ELEVATIONS.believable
        values[(values < low) | (values > high)] = np.nan
        return values


def elevation_groups(rasters: Sequence[RasterFacts], zones: Box | None) -> list[list[RasterFacts]]:
    """Return rasters that may be the elevation, tiles together, the likeliest first."""
    groups: list[list[RasterFacts]] = []
    for raster in sorted(rasters, key=lambda one: str(one.path)):
        home = next((group for group in groups if abutting([*group, raster])), None)
        if home is None:
            groups.append([raster])
        else:
            home.append(raster)
    return sorted(groups, key=lambda group: -_likelihood(group, zones))


def _likelihood(group: list[RasterFacts], zones: Box | None) -> float:
    named = any(has_word(one.path.stem, WORDS[RasterKind.ELEVATION]) for one in group)
    covered = 0.0 if zones is None else min(sum(one.box.share_of(zones) for one in group if one.box), 1.0)
    surface = any(has_word(one.path.stem, "dsm surface") for one in group)
    return 2.0 * named + 3.0 * covered - 1.0 * surface - 1.0 * any(one.date for one in group)


def with_voids(elevation: Elevation) -> Elevation:
    """Return the elevation with the heights that mean that nothing was measured, and their proposal."""
    shares = [shares_of(one, VOID_CODES) for one in elevation.tiles]
    held = {code: sum(of_tile[code] for of_tile in shares) / len(shares) for code in VOID_CODES}
    stored = np.concatenate([one.stored for one in elevation.tiles])
    others = stored[~np.isin(stored, VOID_CODES)]
    voids = tuple(code for code, share in held.items() if share > 0 and others.size and _is_apart(code, others))
    if not voids:
        return elevation
    listed = ", ".join(f"{code:g} in {max(held[code], 0.001):.1%} of the pixels" for code in voids)
    evidence = f"{listed}, all other heights lie from {others.min():.0f} to {others.max():.0f}: not measured"
    values: list[Value] = [_plain(code) for code in voids]
    return replace(
        elevation, voids=voids, proposals=(*elevation.proposals, Proposal("terrain.voids", values, evidence))
    )


VOID_CODES = (0.0, -1.0, -32768.0, -32767.0, -9999.0, 9999.0, -999.0, -99.0, 32767.0, 65535.0, -3.4028234663852886e38)
"""Heights that files write where nothing was measured (common practice, no source)."""

VOID_GAP = 0.1
"""A code stands alone: no other height lies nearer to it than this part of their range (chosen)."""

LEAST_VOID_GAP = 30.0
"""Nor nearer than this, in any unit: a shore is no void."""


def _is_apart(code: float, others: np.ndarray) -> bool:
    """Return whether no height lies near to a code."""
    low, high = np.percentile(others, [1, 99])
    return float(np.abs(others - code).min()) > max(LEAST_VOID_GAP, VOID_GAP * (high - low))


def _plain(value: float) -> float:
    return int(value) if float(value).is_integer() else value


FOOT_M = 0.3048
"""An international foot, m (definition)."""

MATCH = 0.05
"""Heights agree with those that the sites state, or with these times 3.28, to so much in the middle (chosen; feet and metres differ by
a factor of 3.28, a site by some tens of metres)."""

STEEP = 0.9
"""No basin's median slope has a greater tangent, on pixels of up to 100 m: 42 degrees. Heights in feet read as metres have."""

FLAT = 0.12
"""Half of a snow basin's ground has at least this tangent: 7 degrees (chosen). Heights in metres read as feet have less."""

STEEP_PIXEL_M = 100.0
"""Coarser pixels smooth slopes away, m (chosen)."""

HIGHEST_M = ELEVATIONS.believable[1]
"""Above the highest mountain, m."""


def with_unit(elevation: Elevation, sites: pd.DataFrame | None = None, *, compares: bool = True) -> Elevation | Refusal:
    """Return the elevation with its unit decided, and the proposal where the file does not declare it.

    What decides it, in this order: the file itself, the sites' stated heights, heights that no mountain has, the file's name, slopes
    that no basin has. Nothing else does: then it stays open, or is refused once the sites are known.

    Parameters
    ----------
    sites : longitude, latitude, elevation_m of those that state it; None before the sites are read.
    compares : whether the sites say the unit of their heights: equal heights without a unit are both metres or both feet.
    """
    if elevation.metres_per_unit is not None:
        return elevation
    declared = {one.unit for one in elevation.tiles}
    if declared - {""}:
        lengths = {length_m(unit) for unit in declared}
        if len(lengths) > 1 or None in lengths:
            return Refusal(
                elevation.tiles[0].path,
                "",
                f"the elevation declares the unit {' and '.join(sorted(unit or 'none' for unit in declared))}",
                "Write the right one into every tile (for example with gdal_edit -units metre)",
            )
        return replace(elevation, metres_per_unit=lengths.pop())
    by_sites = None if sites is None else _unit_by_sites(elevation, sites)
    decided = by_sites if compares else None
    decided = decided or _unit_by_itself(elevation) or (None if by_sites is None else _metres_by_slope(elevation))
    if decided is not None:
        return decided
    if sites is None:
        return elevation
    low, most = elevation.heights.min(), elevation.heights.max()
    said = (
        "no site states an elevation to compare with"
        if by_sites is None
        else "the sites' heights are equal to it and have no unit either"
    )
    why = f"heights of {low:.0f} to {most:.0f}; {elevation.tiles[0].path.name} declares no unit, and {said}"
    question = Proposal("terrain.elevation_unit", "metre", why, ("foot",), is_safe=False)
    return replace(elevation, proposals=(*elevation.proposals, question))


def _unit_by_itself(elevation: Elevation) -> Elevation | None:
    """Return the elevation in the unit that its name, its heights or its slopes show; None where they show none."""
    name = " ".join(one.path.stem for one in elevation.tiles)
    high = float(np.percentile(elevation.heights, 99.9)) if elevation.heights.size else float("nan")
    steep = _median_slope(elevation)
    if high > HIGHEST_M:
        return _in_unit(elevation, feet=True, why=f"heights reach {high:.0f}, more than any mountain has in metres")
    if has_word(name, "ft feet foot"):
        return _in_unit(elevation, feet=True, why="the file's name says feet")
    if has_word(name, "metre metres meter meters"):
        return _in_unit(elevation, feet=False, why="the file's name says metres")
    if steep > STEEP:
        why = f"in metres half of the ground would be steeper than {np.degrees(np.arctan(steep)):.0f} degrees"
        return _in_unit(elevation, feet=True, why=why)
    return None


def _median_slope(elevation: Elevation) -> float:
    """Return the tangent that half of the ground is steeper than, as if in metres; 0 where pixels are too coarse to tell."""
    steps = [one.step for one in elevation.tiles if one.pixel_m <= STEEP_PIXEL_M]
    return float(np.median(steps)) if steps else 0.0


def _metres_by_slope(elevation: Elevation) -> Elevation | None:
    """Return the elevation in metres where feet would make it too flat; None elsewhere.

    It counts only where the sites' heights are the same numbers: nothing else contradicts it then.
    """
    in_feet = FOOT_M * _median_slope(elevation)
    if not 0 < in_feet < FLAT:
        return None
    why = f"the sites' heights are the same, and in feet half of the ground would be flatter than {np.degrees(np.arctan(in_feet)):.0f} degrees"
    return _in_unit(elevation, feet=False, why=why)


def in_answered_unit(elevation: Elevation, answer: Proposal) -> Elevation:
    """Return the elevation in the unit that a person answered."""
    return _in_unit(elevation, feet=answer.value == "foot", why=answer.evidence)


def _unit_by_sites(elevation: Elevation, sites: pd.DataFrame) -> Elevation | None:
    stated = sites.dropna(subset=["elevation_m"])
    stated = stated[stated["elevation_m"] > 0]
    if stated.empty:
        return None
    plain = replace(elevation, metres_per_unit=None)
    at = values_at(list(plain.tiles), stated["longitude"].to_numpy(), stated["latitude"].to_numpy())
    ratios = at / stated["elevation_m"].to_numpy()
    ratios = ratios[np.isfinite(ratios) & (ratios > 0)]
    if not ratios.size:
        return None
    ratio = float(np.median(ratios))
    for feet, wanted in ((False, 1.0), (True, 1 / FOOT_M)):
        if abs(ratio / wanted - 1) <= MATCH:
            about = f"{len(ratios)} sites' stated elevations"
            why = f"heights are {ratio:.2f} times {about} in metres" if feet else f"heights agree with {about}"
            return _in_unit(elevation, feet=feet, why=why)
    return None


def _in_unit(elevation: Elevation, *, feet: bool, why: str) -> Elevation:
    value, factor = ("foot", FOOT_M) if feet else ("metre", 1.0)
    proposals = [one for one in elevation.proposals if one.key != "terrain.elevation_unit"]
    # Metres are what heights are without a declaration.
    proposals += [Proposal("terrain.elevation_unit", value, why)] if feet else []
    return replace(elevation, proposals=tuple(proposals), metres_per_unit=factor)
