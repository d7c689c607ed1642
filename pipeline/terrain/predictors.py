"""What the ground tells about snow: slope and exposure of each cell."""

from __future__ import annotations

import numpy as np
import xarray as xr
from scipy import ndimage

from snowtally.statistics.errors import SLOPE_REACH_M


def horn_gradient(elevation_m: np.ndarray, cell_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the rise of the ground east and south, m/m.

    Both arrays have the shape (y, x), and rows run from north to south. They are third-order finite differences over 3
    x 3 cells (Horn 1981, Proc. IEEE 69, 14-47). At the edges and beside missing cells the centre stands in for the
    neighbour that is not there.
    """
    padded = np.pad(elevation_m, 1, constant_values=np.nan)
    rows, columns = elevation_m.shape
    around = [[padded[down : down + rows, right : right + columns] for right in range(3)] for down in range(3)]
    east, south = _rises(around)
    beside = (np.isnan(east) | np.isnan(south)) & np.isfinite(elevation_m)
    centre = elevation_m[beside]
    around = [[np.where(np.isfinite(z[beside]), z[beside], centre) for z in row] for row in around]
    east[beside], south[beside] = _rises(around)
    return east / (8 * cell_m), south / (8 * cell_m)


def _rises(z: list[list[np.ndarray]]) -> tuple[np.ndarray, np.ndarray]:
    """Return eight times the rise by a cell, east and south, from 3 x 3 elevations."""
    east = (z[0][2] + 2 * z[1][2] + z[2][2]) - (z[0][0] + 2 * z[1][0] + z[2][0])
    south = (z[2][0] + 2 * z[2][1] + z[2][2]) - (z[0][0] + 2 * z[0][1] + z[0][2])
    return east, south


def add_exposure(terrain: xr.Dataset) -> xr.Dataset:
    """Return the terrain with `slope` (degrees), `northness` and `eastness` (1).

    Northness is sin(slope) x cos(aspect) and eastness is sin(slope) x sin(aspect). Aspect is the direction downslope
    from true north: the meridian convergence first turns the grid's own north. Flat ground has 0 of both.
    """
    elevation = terrain["elevation"]
    cell_m = abs(float(elevation["x"][1] - elevation["x"][0]))
    east, south = horn_gradient(elevation.to_numpy(), cell_m)
    steep = np.hypot(east, south)
    # Downslope points against the gradient; rows run south, so downslope north is +south and downslope east is -east. Convergence is
    # the angle from true north to grid north, so it adds to a bearing counted from grid north.
    turn = np.deg2rad(terrain["convergence"].to_numpy())
    along, across, steepness = np.cos(turn), np.sin(turn), np.sqrt(1.0 + steep**2)
    return terrain.assign(
        slope=(("y", "x"), np.rad2deg(np.arctan(steep)), {"units": "degree"}),
        northness=(("y", "x"), (south * along + east * across) / steepness, {"units": "1"}),
        eastness=(("y", "x"), (south * across - east * along) / steepness, {"units": "1"}),
    )


CURVATURE_M = 200.0
"""Half width over which the ground's curvature is taken: gullies and rolls that drifts fill (common practice, no source; half of it is
a cell of many grids)."""

LANDFORM = ("curvature", "position", "shelter")
"""What `landform` gives, besides `add_exposure`: what wind and gravity do with snow."""


def landform(elevation_m: np.ndarray, cell_m: float, wind_from_deg: float) -> dict[str, np.ndarray]:
    """Return fields that show where wind blows snow.

    They describe the shape of the ground. Each is float32 on (y, x).

    Parameters
    ----------
    elevation_m : (y, x) elevation, rows from north to south; missing where unknown.
    cell_m : cell width, m.
    wind_from_deg : direction that the prevailing wind comes from, clockwise from the grid's north.

    Returns
    -------
    dict : curvature (1/m; positive in hollows), position (m above the mean of the surroundings, `SLOPE_REACH_M` to all sides: half
        the width of a mountain valley), shelter (degrees; steepest rise of the ground upwind, negative on ground exposed to it).

    Notes
    -----
    Curvature is the Laplacian of the elevation averaged over a square; position is elevation less the mean of a square;
    shelter is the maximum upwind slope of Winstral et al. 2002 (J. Hydrometeorol. 3, 524-538, who
    look 100 to 1000 m upwind, from memory). At the grid's edge the ground goes on level.

    Raises
    ------
    ValueError : no elevation is known.
    """
    known = np.isfinite(elevation_m)
    if not known.any():
        raise ValueError("Invalid elevation_m without a known cell. Give the terrain of the basin.")
    # Missing ground takes the height of the nearest known cell, so that no edge of the data looks like a cliff.
    nearest = ndimage.distance_transform_edt(~known, return_distances=False, return_indices=True)
    ground = elevation_m[tuple(nearest)]
    fields = {
        "curvature": _curvature(ground, cell_m, CURVATURE_M),
        "position": ground - _mean_about(ground, cell_m, SLOPE_REACH_M),
        "shelter": _upwind_rise(ground, cell_m, wind_from_deg),
    }
    return {name: np.where(known, field, np.nan).astype(np.float32) for name, field in fields.items()}


def _mean_about(ground: np.ndarray, cell_m: float, half_width_m: float) -> np.ndarray:
    size = 2 * max(round(half_width_m / cell_m), 1) + 1
    return ndimage.uniform_filter(ground, size, mode="nearest")


def _curvature(ground: np.ndarray, cell_m: float, half_width_m: float) -> np.ndarray:
    """Return the curvature of the ground, 1/m.

    It is the Laplacian over steps of the half width. The ground is first averaged over as much.
    """
    step = max(round(half_width_m / cell_m), 1)
    smooth = ndimage.uniform_filter(ground, step, mode="nearest") if step > 1 else ground
    total = sum(_moved(smooth, dy, dx) for dy, dx in ((-step, 0), (step, 0), (0, -step), (0, step)))
    return (total - 4.0 * smooth) / (step * cell_m) ** 2


def _moved(ground: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Return the ground moved by rows and columns.

    Each cell gets the ground so many rows to its south and columns to its east. Beyond the grid its edge cell stands
    in.
    """
    row = np.clip(np.arange(ground.shape[0]) + rows, 0, ground.shape[0] - 1)
    column = np.clip(np.arange(ground.shape[1]) + columns, 0, ground.shape[1] - 1)
    return ground[np.ix_(row, column)]


def _upwind_rise(ground: np.ndarray, cell_m: float, from_deg: float) -> np.ndarray:
    """Return the steepest rise to the ground upwind, degrees.

    It looks at the ground within `SLOPE_REACH_M` of each cell.
    """
    bearing = np.deg2rad(from_deg)
    steepest = np.full(ground.shape, -np.inf)
    for step in range(1, max(round(SLOPE_REACH_M / cell_m), 1) + 1):
        move = (np.cos(bearing) * step, -np.sin(bearing) * step)
        upwind = ndimage.shift(ground, move, order=1, mode="nearest")
        steepest = np.maximum(steepest, (upwind - ground) / (step * cell_m))
    return np.rad2deg(np.arctan(steepest))


def with_landform(terrain: xr.Dataset, cached: dict[str, np.ndarray] | None, wind_from_deg: float) -> xr.Dataset:
    """Return the terrain with the fields of `landform`, cached or made anew.

    Parameters
    ----------
    terrain : elevation (m) and convergence (degrees, from true to grid north) on (y, x).
    cached : the fields by name; None where they must be made.
    wind_from_deg : direction that the prevailing wind comes from, clockwise from true north.
    """
    fields = landform_of(terrain, wind_from_deg) if cached is None else cached
    return terrain.assign({name: (("y", "x"), fields[name].astype(float)) for name in LANDFORM})


def landform_of(terrain: xr.Dataset, wind_from_deg: float) -> dict[str, np.ndarray]:
    """Return the fields of `landform` for a terrain.

    The wind's direction is turned from true to grid north. `with_landform` explains the parameters.
    """
    elevation = terrain["elevation"]
    cell_m = abs(float(elevation["x"][1] - elevation["x"][0]))
    # One angle for the basin: convergence changes by a tenth of a degree over ten kilometres.
    turn = float(np.nanmean(terrain["convergence"].to_numpy()))
    return landform(elevation.to_numpy(), cell_m, wind_from_deg - turn)
