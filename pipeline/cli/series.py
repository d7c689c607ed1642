"""The command that gives a season as one table: a row a date, a column a unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.model.problems import SettingsError

if TYPE_CHECKING:
    import pandas as pd


class Of(StrEnum):
    """What a series has a column for."""

    BASIN = "basin"
    ZONE = "zone"
    BAND = "band"
    SITE = "site"


VOLUME, AT_SITES = "volume_m3", "estimate_mm"
"""The columns that are shown where none is named: of areas, and of sites."""


def series(  # noqa: PLR0913  a command's options
    settings: base.SettingsFile,
    of: Annotated[Of, typer.Option("--of", help="Whose columns: the basin's, or one for each zone, band or site.")] = Of.BASIN,
    start: Annotated[str | None, typer.Option("--from", metavar="D", help="First date. Default: the archive's first.")] = None,
    end: Annotated[str | None, typer.Option("--until", metavar="E", help="Last date. Default: the archive's last.")] = None,
    column: Annotated[
        str | None,
        typer.Option("--column", metavar="NAME", help="A column of totals.csv, of sites one of sites.csv. Default: volume_m3, of sites estimate_mm."),
    ] = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV and nothing else.")] = False,
    netcdf: Annotated[Path | None, typer.Option("--netcdf", metavar="FILE", help="Write all columns as a CF time series.")] = None,
    as_json: base.JsonOption = False,
) -> None:  # fmt: skip
    """Give a season of the archive as one table: a row a date, a column a unit."""
    from snowtally import reading
    from snowtally.archive.series import as_stored
    from snowtally.storage.failures import explained
    from snowtally.storage.paths import outside_archives

    chosen = base.read(settings)
    first = None if start is None else base.date_of(start, "--from")
    last = None if end is None else base.date_of(end, "--until")
    season = reading.series(chosen.archive_root, chosen.basin.id, of.value, first, last)
    name = column or (AT_SITES if of is Of.SITE else VOLUME)
    if name not in season.data_vars or season[name].dims != ("time", "unit"):
        known = [str(known) for known in season.data_vars if season[known].dims == ("time", "unit")]
        raise SettingsError(f"--column {name}: there is no such column. There is: {', '.join(known)}.")
    # A date is the local day, as in all tables.
    values = season[name].to_pandas().set_axis(season["date"].to_numpy(), axis=0).rename_axis("date")
    if netcdf is not None:
        outside_archives(netcdf.parent, "--netcdf")
        with explained(f"Cannot write {netcdf}"):
            # The library calls a folder that is not there a lack of permission.
            netcdf.touch()
            as_stored(season).to_netcdf(netcdf, engine="netcdf4")
    base.finish(SeriesResult(chosen.basin.id, of.value, name, values, as_csv=as_csv, netcdf=netcdf), as_json=as_json)


@dataclass(frozen=True)
class SeriesResult(base.Result):
    """A season of one column.

    Parameters
    ----------
    basin, of, column : which.
    values : a row a date, a column a unit.
    as_csv : whether people get CSV.
    netcdf : the file that was written; None where none was asked for.
    """

    basin: str
    of: str
    column: str
    values: pd.DataFrame
    as_csv: bool
    netcdf: Path | None

    @property
    def status(self) -> base.Status:
        """Always done: what cannot be read is raised."""
        return base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return one object a date, null where a unit has no figure."""
        rows = self.values.astype(object).where(self.values.notna(), None)
        series = [{"date": str(date), **row} for date, row in zip(rows.index, rows.to_dict("records"), strict=True)]
        written = None if self.netcdf is None else str(self.netcdf)
        return {"basin": self.basin, "of": self.of, "column": self.column, "series": series, "written": written}

    def to_table(self) -> list[Any]:
        """Return CSV where it is asked for, else a table."""
        from snowtally.publishing.tables import plain_csv

        if self.as_csv:
            return [plain_csv(self.values.reset_index()).decode("utf-8").rstrip("\n")]
        units = [str(unit) for unit in self.values]
        rows = [
            [str(date), *("" if math.isnan(value) else f"{value:.10g}" for value in row)]
            for date, row in zip(self.values.index, self.values.to_numpy(), strict=True)
        ]
        title = f"{self.basin}: {self.column} of each {self.of}"
        written = [] if self.netcdf is None else [f"written: {self.netcdf}"]
        return [base.table(title, ["date", *units], rows), *written]
