"""The small made-up basin with what a person must see before the first night: sites outside, a flight of half, a hole of ten days."""

import numpy as np
import pandas as pd
from made_basin import DENSITY, HEIGHT, LEFT, TOP, WIDTH, depth_of, elevation_of, write_basin, write_raster
from pyproj import Transformer

TITLE = 'Made <b>basin</b> & "more"'
OUTSIDE_M = 300.0
"""How far west of the basin the site S6 stands."""
DATE = "2031-03-25"


def write_hard_basin(home):
    """Write the basin into a folder and return its settings file."""
    write_basin(home)
    # The western half alone: 3 of 6 km.
    x, y = LEFT + (np.arange(150) + 0.5) * 20, TOP - (np.arange(250) + 0.5) * 20
    write_raster(home / "depth.tif", depth_of(elevation_of(x[None, :], y[:, None])), 20, LEFT, TOP)
    to_degrees = Transformer.from_crs("EPSG:32625", "EPSG:4326", always_xy=True)
    sites = pd.read_csv(home / "sites.csv", dtype={"name": str}, keep_default_na=False)
    places = {"S6": (LEFT - OUTSIDE_M, TOP - 2500.0), "S7": (LEFT + WIDTH * 100 + 20_000.0, TOP - HEIGHT * 50)}
    more = [
        {"site_id": site_id, "name": "<i>far</i>", "kind": "course", "longitude": lon, "latitude": lat, "elevation_m": 1500.0}
        for site_id, place in places.items()
        for lon, lat in [to_degrees.transform(*place)]
    ]  # fmt: skip
    pd.concat([sites, pd.DataFrame(more)]).to_csv(home / "sites.csv", index=False)
    # S1 reports from 21 March on again; the other stations every day. Depths move a little, as those of sound sensors do.
    records = []
    for number in (1, 3, 5):
        depth = float(depth_of(elevation_of(LEFT + 900 * (number + 0.5), TOP - 700 * (number + 0.5))))
        for later, day in enumerate(pd.date_range("2031-03-01", DATE)):
            if number != 1 or not 11 <= day.day <= 20:
                values = {"swe_mm": DENSITY * depth + 4.0 * later, "depth_cm": 100 * depth + later % 3 + 0.5 * later}
                records.append({"site_id": f"S{number}", "time": f"{day:%Y-%m-%d}", **values})
    pd.DataFrame(records).to_csv(home / "stations.csv", index=False)
    file = home / "basin.yaml"
    file.write_text(file.read_text().replace("title: Made basin", f"title: '{TITLE}'"))
    return file
