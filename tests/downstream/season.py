"""What a reader of an archive writes: a season's chart and a map with zones and sites. Only general libraries are imported.

    python season.py BASIN_FOLDER OUTPUT_FOLDER
"""  # fmt: skip

import json
import sys
from pathlib import Path

import geopandas
import matplotlib as mpl
import xarray as xr

mpl.use("Agg")
import matplotlib.pyplot as plt

basin, output = Path(sys.argv[1]), Path(sys.argv[2])
latest = basin / json.loads((basin / "latest.json").read_text("utf-8"))["path"]
current = [path.parent / json.loads(path.read_text("utf-8"))["path"] for path in sorted(basin.glob("*/current.json"))]
days = xr.open_mfdataset([path / "estimate.nc" for path in current])
water = (days["swe"] * days["cell_area"]).sum(("y", "x")) / 1000
error = [
    float(geopandas.read_parquet(path / "zones.parquet").query("level == 'basin'")["volume_se_m3"].iloc[0])
    for path in current
]
figure, axes = plt.subplots()
axes.errorbar(days["time"].to_numpy(), water.to_numpy() / 1e6, error, marker="o")
axes.set_ylabel("water in the snow, million m3")
figure.savefig(output / "season.png")

zones, sites = (geopandas.read_parquet(latest / f"{name}.parquet") for name in ("zones", "sites"))
axes = zones[zones["level"] == "zone_band"].plot("swe_mean_mm", legend=True)
zones[zones["level"] == "zone"].boundary.plot(ax=axes, color="black")
sites.plot(ax=axes, color="red")
for site in sites.itertuples():
    axes.annotate(site.site_id, (site.geometry.x, site.geometry.y))
axes.figure.savefig(output / "map.png")
found = {"volume_m3": water.to_numpy().round().tolist(), "zones": zones["zone_id"].nunique(), "sites": len(sites)}
sys.stdout.write(json.dumps(found))
