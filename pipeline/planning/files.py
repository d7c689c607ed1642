"""A plan as files: tables, the map of what a site in each cell would be worth, and its picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from snowtally.planning.plan import Plan
from snowtally.publishing.rasters import extent_km, map_tif
from snowtally.publishing.tables import plain_csv
from snowtally.storage.failures import explained

KM = 1000.0
"""Metres in a kilometre, for axes in km."""
"""Metres in a kilometre."""


def write_files(plan: Plan, content: dict[str, Any], folder: Path) -> list[str]:
    """Write a plan into a folder and return the files' names.

    The folder is made if it is not there. The files: `plan.json`, `sites.csv`, `strips.csv`, `present_sites.csv`, `value.tif` (share of the total's error variance that a site in
    a cell would cut, 0 to 1) and `value.png`. Raises ArchiveError when they cannot be written.
    """
    with explained(f"Cannot write the plan into {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        written = {
            "plan.json": (json.dumps(content, ensure_ascii=False, indent=1) + "\n").encode("utf-8"),
            "sites.csv": plain_csv(plan.sites),
            "strips.csv": plain_csv(plan.strips),
            "present_sites.csv": plain_csv(plan.present),
            "value.tif": map_tif(plan.value, "1", {"date": plan.date.isoformat()}),
        }
        for name, data in written.items():
            (folder / name).write_bytes(data)
        draw(plan, folder / "value.png")
    return sorted([*written, "value.png"])


def draw(plan: Plan, path: Path) -> None:
    """Draw what a site in each cell would cut.

    Proposed sites are numbered, proposed strips are lines.
    """
    import matplotlib as mpl  # noqa: PLC0415  a second of imports for one picture
    from matplotlib.figure import Figure  # noqa: PLC0415  as above

    extent = extent_km(plan.value)
    with mpl.rc_context({"font.size": 9}):
        figure = Figure(figsize=(7, 6.5), layout="constrained")
        axes = figure.subplots()
        axes.set_facecolor("0.9")
        image = axes.imshow(100 * plan.value.to_numpy(), cmap="viridis", vmin=0, extent=extent, interpolation="nearest")
        figure.colorbar(
            image, ax=axes, shrink=0.8, label="share of the total's error variance that one site would cut, %"
        )
        strips = plan.strips.assign(east_west=plan.east_west)
        for number, row in enumerate(strips.itertuples(), 1):
            line = axes.axhline if row.east_west else axes.axvline
            line(row.middle_m / KM, color="tab:red", lw=1, ls="--")
            start = (extent[0], row.middle_m / KM) if row.east_west else (row.middle_m / KM, extent[2])
            axes.annotate(f"strip {number}", start, color="tab:red", fontsize=8, va="bottom")
        for number, row in enumerate(plan.sites.itertuples(), 1):
            axes.plot(row.x / KM, row.y / KM, "o", ms=9, mfc="white", mec="black")
            axes.annotate(str(number), (row.x / KM, row.y / KM), ha="center", va="center", fontsize=7)
        axes.set(
            title=f"Where the next measurement pays most: {plan.total}, {plan.date}\n"
            "grey: outside, or too steep or too far to propose\nno place here is told to be safe",
            xlabel="easting, km",
            ylabel="northing, km",
        )
        figure.savefig(path, dpi=120, metadata={"Software": None})
