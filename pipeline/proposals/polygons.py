"""Which outlines are the basin's zones, which attribute is their id, and what the other vectors may be."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from snowtally.proposals.names import has_word, words_of
from snowtally.proposals.proposal import Proposal, Refusal, UnknownFile, Value
from snowtally.proposals.raster_facts import Box, RasterFacts
from snowtally.proposals.vector_facts import LayerFacts

ZONE_WORDS = (
    "zone zones basin watershed catchment subbasin huc drainage einzugsgebiet gebiet bassin cuenca bacino teilgebiet"
)
WATER_WORDS = "water lake lakes reservoir pond see seen lac lago gewässer gewaesser waterbody waterbodies"
OTHER_WORDS = "glacier forest fire geology soil landcover parcel ownership stable road roads building avalanche footprint flightline"
TRAIL_WORDS = "trail trails road roads path paths route routes track tracks weg wege sentier chemin"

LEAST_COVER = 0.5
"""An elevation raster that holds less than this part of the zones' area lies elsewhere (chosen)."""

_OF_IDENTIFIERS = "zone_id id code cod codigo kennung no nr num number key huc zone basin gid nummer numero"
ID_WORDS = tuple(_OF_IDENTIFIERS.split())
"""Words of an attribute that is an identifier, the likeliest first."""

ROW_WORDS = ("objectid", "fid", "oid", "gid", "shape", "globalid", "ogc")
"""Words of an attribute that a program numbers rows by: an identifier of last resort."""

_OF_NAMES = "name title label bezeichnung nom nombre nome namn navn desc"
NAME_WORDS = (*_OF_NAMES.split(), *ZONE_WORDS.split())
"""Words of an attribute that is a name, the likeliest first: GEBIET or SUBBASIN stands beside its number."""

LONGEST_ID = 40
"""Longer texts are descriptions (chosen)."""


@dataclass(frozen=True)
class Zones:
    """The layer that is proposed for the zones, with its proposals.

    Parameters
    ----------
    layer : the layer.
    proposals : of `basin.zones`, `basin.zones_layer` and `columns.zones`.
    """

    layer: LayerFacts
    proposals: tuple[Proposal, ...]


def zone_layers(layers: Sequence[LayerFacts], elevations: Sequence[RasterFacts]) -> list[LayerFacts]:
    """Return the polygon layers that may be the zones, the likeliest first.

    Parameters
    ----------
    elevations : rasters that may be the elevation; zones lie on one of them.
    """
    polygons = [one for one in layers if one.shape == "polygon"]
    ranked = sorted(polygons, key=lambda one: (-_likelihood(one, elevations), str(one.path), one.layer))
    best = _likelihood(ranked[0], elevations) if ranked else 0.0
    clearly_less = 3.0
    return [one for one in ranked if best - _likelihood(one, elevations) < clearly_less]


def _likelihood(layer: LayerFacts, elevations: Sequence[RasterFacts]) -> float:
    """Return a score: higher is likelier to be the zones."""
    name = f"{layer.path.stem} {layer.layer}"
    score = 3.0 * has_word(name, ZONE_WORDS) - 4.0 * (has_word(name, WATER_WORDS) or has_word(name, OTHER_WORDS))
    columns = [str(column).lower() for column in layer.attributes.columns]
    score += 3.0 * ("zone_id" in columns) + 1.0 * any(has_word(column, ZONE_WORDS) for column in columns)
    if layer.box is None:
        return score - 1.0
    if elevations and not any(raster.box and raster.box.share_of(layer.box) > LEAST_COVER for raster in elevations):
        score -= 3.0
    return score


def without_crs(layer: LayerFacts, elevations: Sequence[RasterFacts]) -> Refusal:
    """Return why a layer without a coordinate system cannot be the zones, and the cure."""
    fitting = sorted({code for code in (_code(one, layer) for one in elevations) if code})
    guess = f" Its coordinates would lie on the elevation in {' or '.join(fitting)}." if fitting else ""
    prj = layer.path.suffix.lower() == ".shp"
    cure = (
        f"Ask whoever made it for {layer.path.with_suffix('.prj').name}, and put it beside the file"
        if prj
        else "Ask whoever made it for its EPSG code, and write that into the file (for example with ogr2ogr -a_srs)"
    )
    return Refusal(layer.path, "", f"the outlines have no coordinate system.{guess}".rstrip("."), cure)


def _code(raster: RasterFacts, layer: LayerFacts) -> str:
    """Return the system of a raster, or EPSG:4326.

    Where a layer's coordinates lie within it; else an empty text.
    """
    if raster.crs is None or raster.box is None:
        return ""
    west, south, east, north = layer.bounds
    if Box(*raster.bounds).share_of(Box(*layer.bounds)) > LEAST_COVER:
        code = raster.crs.to_epsg()
        return f"EPSG:{code}" if code else raster.crs.name
    return "EPSG:4326" if raster.box.share_of(Box(west, south, east, north)) > LEAST_COVER else ""


def zone_columns(layer: LayerFacts) -> list[Proposal]:
    """Return which attributes are the zones' id and name.

    As proposals of `columns.zones`.

    The list is empty where the attributes have the usual names.
    """
    table = layer.attributes
    identifiers = _identifiers(table)
    own = "zone_id" if "zone_id" in table.columns else identifiers[0] if identifiers else ""
    names = [column for column in table.columns if _is_name(table, column) and column != own]
    names = [column for column in names if not own or _one_each(table, own, column)]
    name = max(names, key=lambda column: _rank(column, NAME_WORDS), default="")
    proposals = []
    if own and own != "zone_id":
        near = [one for one in identifiers if one != name and _id_score(table, own) - _id_score(table, one) < CLOSE]
        columns: list[Value] = [{"column": str(column)} for column in near[: MOST_ASKED + 1]]
        proposals.append(Proposal("columns.zones.zone_id", columns[0], _shown(table, own), tuple(columns[1:])))
    elif not own:
        what = "one polygon" if len(table) == 1 else f"{len(table)} polygons, no attribute tells them apart"
        proposals.append(Proposal("columns.zones.zone_id", {"constant": "basin"}, f"{what}: one zone"))
    if name and "name" not in table.columns:
        proposals.append(Proposal("columns.zones.name", {"column": str(name)}, _shown(table, name)))
    return proposals


CLOSE = 1.5
"""Attributes whose scores differ by less are asked for (chosen: a word of the name is worth up to two)."""

MOST_ASKED = 4
"""No more other readings are offered: a longer list is not read."""


def _identifiers(table: pd.DataFrame) -> list[str]:
    """Return the attributes that may be the id, the likeliest first."""
    usable = [column for column in table.columns if _is_identifier(table[column])]
    return sorted(usable, key=lambda column: -_id_score(table, column))


def _is_identifier(values: pd.Series) -> bool:
    texts = _texts(values)
    if (texts == "").any() or texts.str.len().max() > LONGEST_ID:
        return False
    measured = pd.api.types.is_float_dtype(values) and not (values % 1 == 0).all()
    return not measured and (len(texts) == 1 or texts.ne(texts.iloc[0]).any())


def _id_score(table: pd.DataFrame, column: str) -> float:
    texts = _texts(table[column])
    score = 4.0 * texts.is_unique + _rank(column, ID_WORDS) / len(ID_WORDS) * 2
    score -= 3.0 * any(word in column.lower() for word in ROW_WORDS)
    score -= 3.0 * any(word in words_of(column) for word in ("area", "perimeter", "length", "count", "acres", "sqkm"))
    return score - 0.02 * float(texts.str.len().mean()) - 0.5 * _is_name(table, column)


def _rank(column: str, words: Sequence[str]) -> float:
    """Return how early in a list a word of an attribute's name stands; 0 where none does."""
    own = words_of(column)
    joined = "_".join(own)
    ranks = [n for n, word in enumerate(words) if word == joined or word in own or joined.endswith(word)]
    return float(len(words) - ranks[0]) if ranks else 0.0


def _is_name(table: pd.DataFrame, column: str) -> bool:
    values = table[column]
    if pd.api.types.is_numeric_dtype(values):
        return False
    texts = _texts(values)
    return _rank(column, NAME_WORDS) > 0 and not (texts == "").any() and bool(texts.str.contains(r"[^\W\d_]{3}").any())


def _one_each(table: pd.DataFrame, identifier: str, column: str) -> bool:
    """Return whether each id has one name, as the zones must."""
    return bool(
        (
            _texts(table[column]).groupby(_texts(table[identifier])).agg(lambda names: names.eq(names.iloc[0]).all())
        ).all()
    )


def _texts(values: pd.Series) -> pd.Series:
    return values.map(lambda value: "" if pd.isna(value) else str(value).strip())


def _shown(table: pd.DataFrame, column: str) -> str:
    texts = list(dict.fromkeys(_texts(table[column])))
    few = 3
    listed = ", ".join(texts[:few]) + (" ..." if len(texts) > few else "")
    return f"attribute '{column}' of {len(table)} polygons holds {listed}"


def choice_of(layers: Sequence[LayerFacts], key: str = "basin.zones") -> Proposal:
    """Return the choice of the zones among layers, as names for people."""
    first, *others = layers
    values: tuple[Value, ...] = tuple(one.name for one in others[:MOST_ASKED])
    every = "; ".join(f"{one.name}: {_about(one)}" for one in layers[: MOST_ASKED + 1])
    return Proposal(key, first.name, every if values else _about(first), values)


def _about(layer: LayerFacts) -> str:
    many = f"{len(layer.attributes)} polygons" if len(layer.attributes) > 1 else "one polygon"
    return f"{many} of {layer.area_km2:.0f} km2, {layer.box or 'without a coordinate system'}"


def other_vectors(
    layers: Sequence[LayerFacts], zones: LayerFacts | None, has_flights: bool
) -> list[Proposal | UnknownFile]:
    """Return what the other vector files may be.

    Trails, open water, or nothing that is used.

    Parameters
    ----------
    zones : the layer of the zones.
    has_flights : whether there are flights, whose pixels over water are not used.
    """
    out: list[Proposal | UnknownFile] = []
    keys: set[str] = set()
    for one in layers:
        if one is zones:
            continue
        name = f"{one.path.stem} {one.layer}"
        key = ""
        if one.layers == 1 and one.crs is not None:
            if one.shape == "line" and has_word(name, TRAIL_WORDS):
                key = "plan.trails"
            elif one.shape == "polygon" and has_flights and has_word(name, WATER_WORDS):
                key = "flights.water"
        if key and key not in keys:
            keys.add(key)
            what = "roads and trails" if key == "plan.trails" else "open water"
            out.append(Proposal(key, str(one.path), f"{len(one.attributes)} {one.shape}s; the name says {what}"))
        elif one.shape == "point":
            why = "points. If they are the sites, export them as CSV (for example with ogr2ogr -lco GEOMETRY=AS_XY)"
            out.append(UnknownFile(one.path, f"{one.layer}: {why}" if one.layers > 1 else why))
        else:
            out.append(UnknownFile(one.path, f"{one.name}: {one.shape}s that no setting needs"))
    return out
