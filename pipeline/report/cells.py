"""What a page's script looks cells up in: grids packed as text, with their units and where they lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from snowtally.report.pictures import Stepped, pack
from snowtally.report.published import Maps
from snowtally.report.units import Unit


@dataclass(frozen=True)
class Shown(Stepped):
    """A grid to look cells up in, and its unit."""

    unit: Unit


def cells(maps: Maps, zone_names: dict[str, str], shown: dict[str, Shown]) -> dict[str, Any]:
    """Return a map's cells for the page's script.

    Parameters
    ----------
    maps : where the shown cells lie, and their zones.
    zone_names : names by zone_id, in the order of the zones' numbers.
    shown : the grids by name.
    """
    packed = pack(maps.fields["zone"], shown)
    # The zone's number, which comes first, has no unit.
    layers = [
        layer | ({"factor": unit.factor, "unit": unit.label, "decimals": unit.decimals} if unit else {})
        for layer, unit in zip(packed.layers, [None, *(field.unit for field in shown.values())], strict=True)
    ]
    rows, columns = (np.flatnonzero(maps.inside.any(axis=axis)) for axis in (1, 0))
    return {
        "width": len(maps.x), "height": len(maps.y), "step": maps.step_m, "left": float(maps.x[0] - maps.step_m / 2),
        "top": float(maps.y[0] + maps.step_m / 2), "zones": list(zone_names.values()), "thousands": next(iter(shown.values())).unit.thousands, "layers": layers, "text": packed.text,
        "middle": [int(columns[len(columns) // 2]), int(rows[len(rows) // 2])] if rows.size else [0, 0],
    }  # fmt: skip
