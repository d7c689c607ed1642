"""Make the README's picture from a published day: `python docs/make_picture.py` after the README's first command."""

from pathlib import Path

import matplotlib as mpl
import numpy as np
from matplotlib import pyplot as plt

from pipeline.reading import open_day, read_sites

ROOT = Path(__file__).resolve().parents[1]
DATE = "2031-04-14"


def main() -> None:
    """Draw SWE and its standard error side by side over shaded relief, with the sites and a scale bar."""
    mpl.use("Agg")
    day = open_day(ROOT / "archive", "larkmoor", DATE)
    sites = read_sites(ROOT / "archive", "larkmoor", DATE)
    elevation = day["elevation"].to_numpy()
    relief = mpl.colors.LightSource(315, 45).hillshade(
        np.nan_to_num(elevation, nan=np.nanmean(elevation)), vert_exag=1.5, dx=100, dy=100
    )
    relief = np.where(np.isfinite(elevation), relief, np.nan)
    x, y = day["x"].to_numpy() / 1000, day["y"].to_numpy() / 1000
    extent = (x[0], x[-1], y[-1], y[0])
    figure, panels = plt.subplots(1, 2, figsize=(10, 4.6), layout="constrained")
    for panel, (name, words, top) in zip(
        panels, (("swe", "snow water equivalent, mm", 1200), ("swe_se", "its standard error, mm", 200)), strict=True
    ):
        panel.imshow(relief, cmap="gray", extent=extent)
        shown = panel.imshow(day[name].to_numpy(), cmap="cividis", vmin=0, vmax=top, alpha=0.8, extent=extent)
        figure.colorbar(shown, ax=panel, shrink=0.8, label=words)
        for kind, mark in (("S", "^"), ("C", "o")):
            some = sites[sites["site_id"].str[1] == kind]
            panel.plot(
                some["x"] / 1000,
                some["y"] / 1000,
                mark,
                mfc="white",
                mec="black",
                ms=5,
                label={"S": "station", "C": "course"}[kind],
            )
        panel.plot([x[-1] - 6, x[-1] - 1], [y[-1] + 1] * 2, "k-", lw=3)
        panel.text(x[-1] - 3.5, y[-1] + 1.4, "5 km", ha="center")
        panel.set(xlim=(x[0] - 1, x[-1] + 1), ylim=(y[-1] - 1, y[0] + 1))
        panel.set_axis_off()
    panels[0].legend(loc="lower center", frameon=False)
    figure.suptitle(f"Larkmoor (invented), {DATE}, 18 days after the last flight; north is up")
    figure.savefig(ROOT / "docs" / "larkmoor.png", dpi=80, metadata={"Software": None})


if __name__ == "__main__":
    main()
