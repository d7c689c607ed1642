"""What a vector file says of itself.

Its layers, their shapes and attributes, and where they lie.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import shapely
from pyproj import CRS

from snowtally.inputs.vector_file import NO_VECTORS, layers_of
from snowtally.model.problems import InputError, one_line
from snowtally.proposals.proposal import UnknownFile
from snowtally.proposals.raster_facts import Box

MOST_FEATURES = 20_000
"""Layers of more features are no zones of a basin (chosen: the largest has some hundreds)."""


@dataclass(frozen=True)
class LayerFacts:
    """A layer of a vector file.

    Parameters
    ----------
    path, layer : the file and the layer's name.
    layers : how many layers the file has.
    shape : polygon, line or point.
    crs : None where the file has none.
    box : its area in degrees; None without a coordinate system.
    bounds : least x and y and most x and y, in its own system.
    attributes : one row a feature.
    area_km2 : of its polygons; NaN without a coordinate system.
    """

    path: Path
    layer: str
    layers: int
    shape: str
    crs: CRS | None
    box: Box | None
    bounds: tuple[float, float, float, float]
    attributes: pd.DataFrame
    area_km2: float

    @property
    def name(self) -> str:
        """Its name for people.

        The file's, and the layer's where there are several.
        """
        return self.path.name if self.layers == 1 else f"{self.path.name}, layer {self.layer}"


def layers_with_facts(path: Path) -> list[LayerFacts | UnknownFile]:
    """Return what each layer of a vector file says of itself, or why it cannot be used."""
    try:
        names = layers_of("outlines", path)
    except InputError as trouble:
        return [UnknownFile(path, str(trouble))]
    return [_facts(path, name, len(names)) for name in names] or [UnknownFile(path, "it holds no layer")]


def _facts(path: Path, layer: str, layers: int) -> LayerFacts | UnknownFile:
    where = f"layer {layer}: " if layers > 1 else ""
    try:
        features = int(pyogrio.read_info(path, layer=layer)["features"])
        if features > MOST_FEATURES:
            return UnknownFile(path, f"{where}it holds {features} features, more than zones of a basin are")
        table = geopandas.read_file(path, layer=layer)
    except (*NO_VECTORS, shapely.errors.ShapelyError, ValueError, RuntimeError, KeyError, TypeError) as trouble:
        return UnknownFile(path, f"{where}it cannot be read as outlines ({one_line(trouble)})")
    if not isinstance(table, geopandas.GeoDataFrame) or table.empty or table.geometry.isna().all():
        return UnknownFile(path, f"{where}it holds no shapes")
    kinds = table.geometry.dropna().geom_type.str.lower()
    shape = next((one for one in ("polygon", "line", "point") if kinds.str.contains(one).any()), "")
    crs = None if table.crs is None else CRS(table.crs)
    degrees = None if crs is None else table.to_crs("EPSG:4326")
    left, bottom, right, top = (float(edge) for edge in table.total_bounds)
    return LayerFacts(
        path=path,
        layer=layer,
        layers=layers,
        shape=shape,
        crs=crs,
        box=None if degrees is None else _box(degrees),
        bounds=(left, bottom, right, top),
        attributes=pd.DataFrame(table.drop(columns=table.geometry.name)),
        area_km2=float("nan") if degrees is None or shape != "polygon" else _area_km2(degrees),
    )


def _box(degrees: geopandas.GeoDataFrame) -> Box | None:
    edges = degrees.total_bounds
    return Box(*(float(edge) for edge in edges)) if np.isfinite(edges).all() else None


def _area_km2(degrees: geopandas.GeoDataFrame) -> float:
    """Return the area, km2; NaN where the shapes lie nowhere."""
    if not np.isfinite(degrees.total_bounds).all():
        return float("nan")
    return float(degrees.to_crs(EQUAL_AREA).area.sum() / 1e6)


EQUAL_AREA = "EPSG:6933"
"""A cylindrical equal-area system of the whole earth, in metres."""
