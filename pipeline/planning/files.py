"""A plan as files: tables, the map of what a site in each cell would be worth, and its picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from pipeline.planning.plan import Plan
from pipeline.publishing.rasters import extent_km, map_tif
from pipeline.publishing.tables import plain_csv
from pipeline.storage.failures import explained

KM = 1000.0
"""Metres in a kilometre."""


def write_files(found: Plan, content: dict[str, Any], folder: Path) -> list[str]:
    """Write a plan into a folder, made if it is not there, and return the names of the files.

    `plan.json`, `sites.csv`, `strips.csv`, `present_sites.csv`, `value.tif` (share of the total's error variance that a site in
    a cell would cut, 0 to 1) and `value.png`. Raises ArchiveError when they cannot be written.
    """
    with explained(f"Cannot write the plan into {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        written = {
            "plan.json": (json.dumps(content, ensure_ascii=False, indent=1) + "\n").encode("utf-8"),
            "sites.csv": plain_csv(found.sites),
            "strips.csv": plain_csv(found.strips),
            "present_sites.csv": plain_csv(found.present),
            "value.tif": map_tif(found.value, "1", {"date": found.date.isoformat()}),
        }
        for name, data in written.items():
            (folder / name).write_bytes(data)
        draw(found, folder / "value.png")
    return sorted([*written, "value.png"])


def draw(found: Plan, path: Path) -> None:
    """Draw what a site in each cell would cut, the proposed places numbered, and the proposed strips as lines."""
    import matplotlib as mpl  # noqa: PLC0415  a second of imports for one picture
    from matplotlib.figure import Figure  # noqa: PLC0415

    extent = extent_km(found.value)
    with mpl.rc_context({"font.size": 9}):
        figure = Figure(figsize=(7, 6.5), layout="constrained")
        axes = figure.subplots()
        axes.set_facecolor("0.9")
        image = axes.imshow(
            100 * found.value.to_numpy(), cmap="viridis", vmin=0, extent=extent, interpolation="nearest"
        )
        figure.colorbar(
            image, ax=axes, shrink=0.8, label="share of the total's error variance that one site would cut, %"
        )
        for number, row in enumerate(found.strips.itertuples(), 1):
            line = axes.axhline if row.name.startswith("east-west") else axes.axvline
            line(row.middle_m / KM, color="tab:red", lw=1, ls="--")
            place = (
                (extent[0], row.middle_m / KM) if row.name.startswith("east-west") else (row.middle_m / KM, extent[2])
            )
            axes.annotate(f"strip {number}", place, color="tab:red", fontsize=8, va="bottom")
        for number, row in enumerate(found.sites.itertuples(), 1):
            axes.plot(row.x / KM, row.y / KM, "o", ms=9, mfc="white", mec="black")
            axes.annotate(str(number), (row.x / KM, row.y / KM), ha="center", va="center", fontsize=7)
        axes.set(
            title=f"Where the next measurement pays most: {found.total}, {found.date}\n"
            "grey: outside, or too steep or too far to propose\nno place here is told to be safe",
            xlabel="easting, km",
            ylabel="northing, km",
        )
        figure.savefig(path, dpi=120, metadata={"Software": None})
