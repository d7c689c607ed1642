"""Polygons and lines from files of any vector format, with errors that a person can act on."""

from __future__ import annotations

from pathlib import Path

import geopandas
import pyogrio
import shapely

from snowtally.model.problems import InputError, one_line

NO_VECTORS = (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError, OSError)
"""What opening a file raises that is not there, damaged or no vector data."""


def layers_of(about: str, path: Path) -> list[str]:
    """Return the names of a vector file's layers.

    Raises
    ------
    InputError : the file is no vector data.
    """
    try:
        return [str(name) for name, _ in pyogrio.list_layers(path)]
    except NO_VECTORS as trouble:
        raise _no_vectors(about, path, trouble) from None


def read_shapes(about: str, path: Path, layer: str | None = None) -> geopandas.GeoDataFrame:
    """Return the features of a vector file, in the coordinate system that it declares.

    Parameters
    ----------
    about : what they are, for messages.
    layer : the layer to be read; None for the only one, or the first.

    Raises
    ------
    InputError : the file is no vector data, holds a shape that is none or no shapes at all, or has no coordinate system.
    """
    refused = f"{about} {path} cannot be read"
    try:
        features = geopandas.read_file(path, layer=layer)
    except NO_VECTORS as trouble:
        raise _no_vectors(about, path, trouble) from None
    except (shapely.errors.ShapelyError, ValueError, RuntimeError, KeyError, TypeError) as trouble:
        raise InputError(f"{refused}: it holds a shape that is none ({one_line(trouble)}). Draw it again") from None
    if not isinstance(features, geopandas.GeoDataFrame):
        raise InputError(f"{refused}: it is a table without shapes. {FORMATS}")
    if features.crs is None:
        raise InputError(f"{refused}: it has no coordinate system. Write it into the file")
    return features


def _no_vectors(about: str, path: Path, trouble: Exception) -> InputError:
    return InputError(f"{about} {path} cannot be read as vector data: {trouble}. {FORMATS}")


FORMATS = "Give GeoPackage, GeoJSON, FlatGeobuf or a shapefile"
