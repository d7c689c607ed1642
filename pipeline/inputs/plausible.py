"""Whether a file's readings can be in the unit that is declared for them: a finding where another unit would explain them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from snowtally.inputs.columns import ColumnSetting
from snowtally.inputs.units import conversion
from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules

DENSITIES = (60.0, 650.0)
"""The median bulk density of a whole file's snow lies between new snow's and old wet snow's, kg/m3 (common practice)."""

USUAL_DENSITIES = (120.0, 550.0)
"""A guess at the unit counts where it brings the median density in here, kg/m3."""

LEAST_DEPTH_M, LEAST_ROWS = 0.15, 5
"""Thinner snow, or fewer rows, tell little of a file's units. A depth written in inches, feet or metres still gets here."""

TEMPERATURES_C = (-60.0, 45.0)
"""A tenth of a file's air temperatures beyond these is another scale: no mountain is hotter, hardly one colder."""

LENGTHS_MM = {"mm": 1.0, "cm": 10.0, "inch": 25.4, "foot": 304.8, "m": 1000.0}
"""Millimetres in the units that crews and loggers write lengths in (BIPM; foot and inch of 1959)."""


def units_look_wrong(
    role: str, path: Path, readings: Mapping[str, np.ndarray], declared: Mapping[str, ColumnSetting]
) -> list[Finding]:
    """Return findings on values that snow cannot have.

    Either SWE over depth is no density of snow, or the air temperatures are out of range. Each finding names the units
    that would explain the values.

    Parameters
    ----------
    declared : what the settings say of the file's columns, by key.
    readings : `swe_mm`, `depth_m` and `air_temperature_c` where there are any; float64, the same number of each.
    """
    findings = []
    nothing = np.empty(0)
    swe, depth = readings.get("swe_mm", nothing), readings.get("depth_m", nothing)
    if len(swe) != len(depth):
        swe = depth = nothing
    # Snow counts by either reading, since one of them is in doubt.
    both = (swe > 0) & (depth > 0) & ((depth > LEAST_DEPTH_M) | (swe > LEAST_DEPTH_M * DENSITIES[1]))
    if both.sum() >= LEAST_ROWS:
        density = float(np.median(swe[both] / depth[both]))
        if not DENSITIES[0] <= density <= DENSITIES[1]:
            as_read = _unit(declared, "swe", "mm"), _unit(declared, "depth", "cm")
            given = tuple(conversion(unit, "mm").factor for unit in as_read)
            would = {
                (a, b): density * (f_swe / given[0]) / (f_depth / given[1])
                for a, f_swe in LENGTHS_MM.items()
                for b, f_depth in LENGTHS_MM.items()
                if (f_swe, f_depth) != given
            }
            guesses = [
                f"SWE in {a} and depth in {b} would give {value:.0f}"
                for (a, b), value in would.items()
                if USUAL_DENSITIES[0] <= value <= USUAL_DENSITIES[1]
            ]
            why = (
                f"median density {density:.4g} kg/m3 over {int(both.sum())} rows with SWE read as {as_read[0]} and depth as "
                f"{as_read[1]}"
            )
            findings.append(_looks_wrong(role, path, "; ".join([why, *guesses]), "swe and depth"))
    temperature = readings.get("air_temperature_c")
    if temperature is not None:
        known = temperature[np.isfinite(temperature)]
        if len(known) >= LEAST_ROWS:
            low, high = np.quantile(known, [0.1, 0.9])
            if low < TEMPERATURES_C[0] or high > TEMPERATURES_C[1]:
                scale = "kelvin" if low > KELVIN_FROM else "degF"
                why = (
                    f"a tenth of {len(known)} air temperatures are above {high:.1f} or below {low:.1f} degrees Celsius"
                )
                findings.append(_looks_wrong(role, path, f"{why}; {scale} would explain it", "air_temperature"))
    return findings


def _unit(declared: Mapping[str, ColumnSetting], key: str, canonical: str) -> str:
    return (declared[key].unit if key in declared else None) or canonical


KELVIN_FROM = 150.0
"""Every temperature on earth is above this in kelvin and below it in degrees Fahrenheit."""


def _looks_wrong(role: str, path: Path, evidence: str, keys: str) -> Finding:
    return Finding(
        rules.UNIT_LOOKS_WRONG,
        role,
        str(path),
        evidence=evidence,
        detail=rules.UNIT_LOOKS_WRONG.says(keys=keys, role=role),
    )
