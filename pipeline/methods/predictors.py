"""What the ground tells about snow: slope and exposure of each cell."""

from __future__ import annotations

import numpy as np
import xarray as xr


def horn_gradient(elevation_m: np.ndarray, cell_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the rise of the ground to the east and to the south, m/m, shape (y, x).

    Third-order finite difference over 3 x 3 cells (Horn 1981, Proc. IEEE 69, 14-47); rows run from north to south. At the
    edges and beside missing cells the centre stands in for the neighbour that is not there.
    """
    padded = np.pad(elevation_m, 1, constant_values=np.nan)
    rows, columns = elevation_m.shape
    around = {
        (dy, dx): padded[1 + dy : 1 + dy + rows, 1 + dx : 1 + dx + columns] for dy in (-1, 0, 1) for dx in (-1, 0, 1)
    }
    z = {place: np.where(np.isfinite(values), values, elevation_m) for place, values in around.items()}
    east = (z[-1, 1] + 2 * z[0, 1] + z[1, 1]) - (z[-1, -1] + 2 * z[0, -1] + z[1, -1])
    south = (z[1, -1] + 2 * z[1, 0] + z[1, 1]) - (z[-1, -1] + 2 * z[-1, 0] + z[-1, 1])
    return east / (8 * cell_m), south / (8 * cell_m)


def add_exposure(terrain: xr.Dataset) -> xr.Dataset:
    """Return the terrain with `slope` (degrees), `northness` and `eastness` (1).

    Northness is sin(slope) x cos(aspect), eastness sin(slope) x sin(aspect), aspect being the direction downslope from true
    north: the grid's own north is turned by the meridian convergence first. Flat ground has none of either.
    """
    elevation = terrain["elevation"]
    cell_m = abs(float(elevation["x"][1] - elevation["x"][0]))
    east, south = horn_gradient(elevation.to_numpy(), cell_m)
    steep = np.hypot(east, south)
    slope = np.arctan(steep)
    # Downslope points against the gradient; rows run south, so the northward gradient is -south and downslope north is +south.
    grid_aspect = np.arctan2(-east, south)
    # Convergence is the angle from true north to grid north, so it adds to a bearing counted from grid north.
    aspect = grid_aspect + np.deg2rad(terrain["convergence"].to_numpy())
    return terrain.assign(
        slope=(("y", "x"), np.rad2deg(slope), {"units": "degree"}),
        northness=(("y", "x"), np.sin(slope) * np.cos(aspect), {"units": "1"}),
        eastness=(("y", "x"), np.sin(slope) * np.sin(aspect), {"units": "1"}),
    )
