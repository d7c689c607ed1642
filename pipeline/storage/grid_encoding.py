"""Grids with the findings of making them, as bytes for the cache."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import xarray as xr

from snowtally.model.problems import Finding
from snowtally.storage.encodings import arrays_bytes


def grids_bytes(grids: xr.Dataset, findings: Sequence[Finding]) -> memoryview:
    """Return the bytes of grids on (y, x), each with its units, and of the findings."""
    facts = {
        "attrs": grids.attrs,
        "units": {name: grids[name].attrs["units"] for name in grids.data_vars},
        "findings": [finding.plain() for finding in findings],
    }
    return arrays_bytes({str(name): grids[name].to_numpy() for name in (*grids.data_vars, "y", "x")}, facts)


def grids_of(arrays: Mapping[str, np.ndarray], facts: Mapping[str, Any]) -> tuple[xr.Dataset, list[Finding]]:
    """Return the grids and findings from what `arrays_of` reads in `grids_bytes`; attributes are as JSON has them."""
    axes = {axis: arrays[axis] for axis in ("y", "x")}
    fields = {
        name: xr.DataArray(arrays[name], axes, ("y", "x"), attrs={"units": units})
        for name, units in facts["units"].items()
    }
    return xr.Dataset(fields, attrs=facts["attrs"]), [Finding.from_plain(finding) for finding in facts["findings"]]
