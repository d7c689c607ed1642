"""The command that holds two revisions against each other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli.values import figure, label, plain_rows, volume

if TYPE_CHECKING:
    import pandas as pd
    from rich.table import Table

    from snowtally.inspection.compare import Comparison, Side
    from snowtally.report.units import Units

MOVED_MOST = 10
"""Sites that moved most, as many as a screen takes (chosen); JSON and files hold all."""


def compare(
    settings: base.SettingsFile,
    a: Annotated[
        str, typer.Argument(metavar="A", help="A date (its current revision) or a revision: 2031-03-01, 2031-03-01@1.")
    ],
    b: Annotated[str, typer.Argument(metavar="B", help="The other, likewise.")],
    other: Annotated[
        str | None,
        typer.Option("--other", metavar="PATH", help="B is in this archive (or URL), made by `rerun --into PATH`."),
    ] = None,
    output_folder: Annotated[
        Path | None,
        typer.Option(
            "--output-folder", metavar="PATH", help="Write tables, rows, the difference map and a page here as well."
        ),
    ] = None,
    as_json: base.JsonOption = False,
) -> None:
    """List what changed from A to B: inputs, settings, models, totals with their errors, the map, the sites."""
    from snowtally.inspection import compare as comparing
    from snowtally.report.units import UNITS
    from snowtally.storage.paths import named_path, outside_archives

    chosen = base.read(settings)
    if output_folder is not None:
        outside_archives(output_folder, "--output-folder")
    root, basin, units = chosen.archive_root, chosen.basin.id, UNITS[chosen.report.units]
    comparison = comparing.compare(
        basin,
        comparing.find_side(root, basin, a),
        comparing.find_side(root if other is None else named_path(other, Path.cwd()), basin, b),
    )
    result = CompareResult(basin, comparison, units)
    if output_folder is not None:
        result = _written(result, output_folder)
    base.finish(result, as_json=as_json)


def _written(result: CompareResult, folder: Path) -> CompareResult:
    """Return the result once its files are in a folder."""
    from snowtally.inspection.compare_files import write_files
    from snowtally.report.compare_page import COMPARE_PAGE, compare_page
    from snowtally.storage.failures import explained

    names = write_files(result.comparison, result.basin, result.to_json(), folder)
    with explained(f"Cannot write the comparison's page into {folder}"):
        page = compare_page(result.comparison, result.basin, result.units)
        (folder / COMPARE_PAGE).write_bytes(page)
    return replace(result, folder=folder, files=sorted([*names, COMPARE_PAGE]))


@dataclass(frozen=True)
class CompareResult(base.Result):
    """What differs from one revision to another.

    Parameters
    ----------
    basin : the basin's id.
    comparison : the difference.
    units : units of the lines and tables; JSON has the archive's.
    folder, files : where it was written to and the files' names; None where it was not.
    """

    basin: str
    comparison: Comparison
    units: Units
    folder: Path | None = None
    files: list[str] | None = None

    def to_json(self) -> dict[str, Any]:
        """Return all that differs."""
        compared = self.comparison
        content = {
            "basin": self.basin,
            "a": _side(compared.a),
            "b": _side(compared.b),
            "files_that_differ": compared.files,
            "changes": compared.changes,
            "models": compared.models,
            "totals": plain_rows(compared.totals),
            "map": self._map_figures(),
            "no_map": compared.no_map,
            "sites": plain_rows(compared.sites),
        }
        return content if self.files is None else content | {"files": self.files}

    def to_table(self) -> list[Any]:
        """Return what differs in sentences, then the totals, the map and the sites, cut to a screen."""
        from snowtally.report.compare_sentences import sentences

        compared = self.comparison
        a, b = (
            f"{name} ({side.record['reason']})"
            for name, side in zip(compared.names, (compared.a, compared.b), strict=True)
        )
        return [
            base.styled(f"A: {a}", "bold"),
            base.styled(f"B: {b}", "bold"),
            *sentences(compared, self.units),
            _totals(compared.totals, self.units),
            "The se of a change is small where A and B share their errors: these cancel each other in the difference.",
            self._map_words(),
            _sites(compared.sites, self.units),
            *([] if self.folder is None else [f"Written: {self.folder}"]),
        ]

    def _map_figures(self) -> dict[str, float] | None:
        """Return how the cells' SWE changed, mm; None without a map."""
        import numpy as np

        if self.comparison.swe_change_mm is None:
            return None
        values = self.comparison.swe_change_mm.to_numpy()
        values = values[np.isfinite(values)]
        if values.size == 0:
            return {"cells": 0}
        low, middle, high = (float(v) for v in np.percentile(values, (5, 50, 95)))
        return {
            "cells": int(values.size), "changed": float(np.mean(values != 0)), "least_mm": float(values.min()),
            "p5_mm": low, "median_mm": middle, "p95_mm": high, "most_mm": float(values.max()),
        }  # fmt: skip

    def _map_words(self) -> str:

        figures = self._map_figures()
        if figures is None:
            return f"No map of the difference: {self.comparison.no_map}"
        if figures["cells"] == 0:
            return "No map of the difference: no cell has a value in both"
        unit = label(self.units.swe)
        low, middle, high, least, most = (
            f"{figure(figures[f'{name}_mm'], self.units.swe, signed=True)}"
            for name in ("p5", "median", "p95", "least", "most")
        )
        return (
            f"Map: {figures['changed']:.0%} of the cells differ; change of SWE {low} {unit} (5 %), {middle} {unit} (half), "
            f"{high} {unit} (95 %), from {least} to {most} {unit}"
        )


def _side(side: Side) -> dict[str, Any]:
    keys = ("date", "revision", "reason", "made", "command", "degraded")
    return {key: side.record[key] for key in keys} | {"path": str(side.revision.path)}


def _totals(totals: pd.DataFrame, units: Units) -> Table:

    swe, rows = label(units.swe), []
    for row in totals[totals["level"] != "zone_band"].itertuples():
        band = "-".join(figure(edge, units.band) for edge in (row.band_low_m, row.band_high_m))
        names = {"basin": "basin", "zone": row.zone_id, "band": f"{band} {label(units.band)}"}
        volumes = (row.volume_m3_a, row.volume_se_m3_a, row.volume_m3_b, row.volume_se_m3_b)
        change = volume(abs(row.change_m3), units)
        rows.append([
            names[row.level],
            *(volume(m3, units) for m3 in volumes),
            change and ("-" if row.change_m3 < 0 else "+") + change,
            volume(row.change_m3_se, units),
            *(figure(mm, units.swe) for mm in (row.swe_mean_mm_a, row.swe_mean_mm_b)),
            figure(row.change_mm, units.swe, signed=True),
        ])  # fmt: skip
    headers = ("", "A", "se", "B", "se", "change", "se", f"A {swe}", f"B {swe}", f"change {swe}")
    return base.table(f"Totals, {label(units.volume)} and {swe}", headers, rows)


def _sites(sites: pd.DataFrame, units: Units) -> Table:

    rows = [
        [
            row.site_id,
            *(figure(mm, units.swe) for mm in (row.said_a_mm, row.said_b_mm, row.estimate_a_mm, row.estimate_b_mm)),
            figure(row.estimate_change_mm, units.swe, signed=True),
        ]
        for row in sites.head(MOVED_MOST).itertuples()
    ]
    headers = ("site", "site A", "site B", "map A", "map B", "map change")
    return base.table(f"Sites where the map changed most, {label(units.swe)}", headers, rows)
