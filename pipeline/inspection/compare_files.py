"""A comparison as files: tables, the difference map as GeoTIFF and as a picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from snowtally.inspection.compare import Comparison
from snowtally.publishing.changes import KEYS, changed_rows
from snowtally.publishing.rasters import extent_km, map_tif
from snowtally.publishing.tables import plain_csv
from snowtally.storage.failures import explained

_STRETCH_PERCENTILE = 98
"""The picture's scale ends here on both sides of zero: a few cells with huge change must not make all others pale."""


def write_files(comparison: Comparison, basin: str, content: dict[str, Any], folder: Path) -> list[str]:
    """Write a comparison into a folder; return the files' names.

    `comparison.json`, `totals.csv`, `sites.csv`, `rows_TABLE.csv` of each table that differs, `difference.tif` and
    `difference.png` (mm). Raises ArchiveError when they cannot be written.
    """
    with explained(f"Cannot write the comparison into {folder}"):
        folder.mkdir(parents=True, exist_ok=True)
        written = {
            "comparison.json": (json.dumps(content, ensure_ascii=False, indent=1) + "\n").encode("utf-8"),
            "totals.csv": plain_csv(comparison.totals),
            "sites.csv": plain_csv(comparison.sites),
        }
        was, now = comparison.a.record["kept_inputs"], comparison.b.record["kept_inputs"]
        for name in KEYS:
            if name in comparison.changes["rows"]:
                rows = changed_rows((comparison.a.root, comparison.b.root), basin, name, (was.get(name), now.get(name)))
                written[f"rows_{name}.csv"] = plain_csv(rows)
        if comparison.swe_change_mm is not None:
            written["difference.tif"] = map_tif(comparison.swe_change_mm, "mm", {})
        for name, data in written.items():
            (folder / name).write_bytes(data)
        if comparison.swe_change_mm is not None:
            draw(comparison.swe_change_mm, folder / "difference.png")
            written["difference.png"] = b""
    return sorted(written)


def draw(change: xr.DataArray, path: Path) -> None:
    """Draw a difference map: blue more water, red less, white no change. The scale is symmetric about zero."""
    from matplotlib import figure as figures  # noqa: PLC0415  a second of imports for one picture
    from matplotlib import rc_context  # noqa: PLC0415  as above

    values = change.to_numpy()
    sizes = np.abs(values[np.isfinite(values) & (values != 0)])
    most = float(np.percentile(sizes, _STRETCH_PERCENTILE)) if sizes.size else 1.0
    with rc_context({"font.size": 9}):
        figure = figures.Figure(figsize=(7, 6), layout="constrained")
        axes = figure.subplots()
        axes.set_facecolor("0.85")
        image = axes.imshow(
            values, cmap="RdBu", vmin=-most, vmax=most, extent=extent_km(change), interpolation="nearest"
        )
        bar = figure.colorbar(image, ax=axes, extend="both" if sizes.size and sizes.max() > most else "neither")
        bar.set_label("change of SWE, mm (grey: outside)")
        axes.set(title=change.attrs["long_name"], xlabel="easting, km", ylabel="northing, km")
        # No date and no version in the file: the same comparison gives the same picture.
        figure.savefig(path, dpi=120, metadata={"Software": None})
