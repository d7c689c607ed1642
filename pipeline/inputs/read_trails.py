"""Ways into the terrain: roads and trails, as the distance from the nearest one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from rasterio.features import rasterize
from scipy.ndimage import distance_transform_edt

from snowtally.inputs.vector_file import read_shapes
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import InputError


def trail_distance(path: Path, grid: BasinGrid) -> np.ndarray:
    """Return each cell's distance from the nearest trail, in m.

    Roads and trails count alike. The shape is (y, x). The distance is true to about one cell.

    Parameters
    ----------
    path : lines (or any other geometries) in any vector format and coordinate system.

    Raises
    ------
    InputError : the file cannot be read, has no coordinate system, or nothing of it lies on the grid.
    """
    trails = read_shapes("trails", path)
    shapes = [shape for shape in trails.to_crs(grid.crs).geometry if shape is not None and not shape.is_empty]
    on = np.zeros(grid.shape, bool)
    if shapes:
        on = rasterize(shapes, grid.shape, transform=grid.transform, all_touched=True).astype(bool)
    if not on.any():
        raise InputError(f"trails {path}: none of it lies within the basin and its margin. Check plan.trails")
    return distance_transform_edt(~on, sampling=grid.cell_m)
