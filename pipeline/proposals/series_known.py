"""NetCDF time series: read by their own conventions.

So that nothing needs to be declared.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from snowtally.inputs.known_tables import STATIONS
from snowtally.inputs.time_series import read_time_series
from snowtally.model.problems import InputError
from snowtally.proposals.proposal import UnknownFile
from snowtally.proposals.table_group import GroupReading
from snowtally.proposals.wide_known import READINGS


def time_series(paths: Sequence[Path]) -> tuple[list[GroupReading], list[UnknownFile]]:
    """Return the NetCDF files that are station records, and those that are not, with the reason."""
    groups, unknown = [], []
    for path in paths:
        try:
            rows, keys = read_time_series(path, STATIONS, {})
        except InputError as trouble:
            unknown.append(UnknownFile(path, str(trouble)))
            continue
        if not keys & set(READINGS):
            unknown.append(UnknownFile(path, "no variable has the standard name of a reading that stations make"))
            continue
        sites = tuple(rows.texts["site_id"].dictionary.to_pylist())
        groups.append(GroupReading("stations", "time series of the CF conventions", (), sites=sites, series=(path,)))
    return groups, unknown
