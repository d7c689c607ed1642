"""The command that says where the next measurement would cut the error most."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli.values import label, plain_rows, volume

if TYPE_CHECKING:
    import pandas as pd

    from snowtally.planning.plan import Plan
    from snowtally.report.units import Units

FEW_PRESENT = 8
"""Sites in use that are printed, as many as a screen takes (chosen); JSON and files hold all."""


def plan(  # noqa: PLR0913  a command's options
    settings: base.SettingsFile,
    date: base.DateOption = None,
    zone: Annotated[
        str | None, typer.Option("--zone", metavar="ID", help="Weigh by the volume of this zone. Default: the basin's.")
    ] = None,
    count: Annotated[int, typer.Option("--count", min=1, max=50, help="How many sites and strips to propose.")] = 5,
    output_folder: Annotated[
        Path | None,
        typer.Option("--output-folder", metavar="PATH", help="Write tables, the map and its picture here as well."),
    ] = None,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Say where the next measurement would cut the error of the total most: sites and flight strips."""
    from snowtally.storage.paths import outside_archives

    chosen = base.read(settings)
    if output_folder is not None:
        outside_archives(output_folder, "--output-folder")
    with base.progress(as_json=as_json, verbose=verbose, stages=10) as stage:
        stage("starting")
        from snowtally.planning.files import write_files
        from snowtally.planning.plan import plan_of
        from snowtally.report.units import UNITS

        asked = base.day_asked(date, chosen)
        best = plan_of(chosen, asked, stage, zone=zone, count=count)
        result = PlanResult(chosen.basin.id, best, UNITS[chosen.report.units])
    if output_folder is not None:
        result = replace(result, folder=output_folder, files=write_files(best, result.to_json(), output_folder))
    base.finish(result, as_json=as_json)


@dataclass(frozen=True)
class PlanResult(base.Result):
    """What further measurements would be worth.

    Parameters
    ----------
    basin_id : the basin's id.
    plan : the proposed sites and strips.
    units : units of the volumes for people; JSON has the archive's.
    folder, files : where it was written to and the files' names; None where it was not.
    """

    basin_id: str
    plan: Plan
    units: Units
    folder: Path | None = None
    files: list[str] | None = None

    @property
    def caution(self) -> str:
        """What the plan does not say of safety."""
        from snowtally.planning.plan import AVALANCHE_DEGREES, BELOW_STEEP_M

        return (
            "A place in this table is worth measuring; nothing here says that it is safe to reach or to stand on. Terrain marked "
            f"'steep' is {AVALANCHE_DEGREES:.0f} degrees or more or within {BELOW_STEEP_M:.0f} m of such ground, by cells that "
            "hide steeper places; ground without a mark may be avalanche ground too. Follow the local avalanche bulletin, your "
            "service's rules and licensed guides; flights are the operator's to plan."
        )

    def to_json(self) -> dict[str, Any]:
        """Return it as plain values; shares are of the total's error variance."""
        plan = self.plan
        content = {
            "basin_id": self.basin_id,
            "date": plan.date.isoformat(),
            "total": plan.total,
            "volume_m3": plan.volume_m3,
            "volume_se_m3": plan.volume_se_m3,
            "sites": plain_rows(plan.sites),
            "strips": plain_rows(plan.strips),
            "strip_width_m": plan.strip_width_m,
            "whole_basin_flight": {"alone": plan.whole_flight},
            "present_sites": plain_rows(plan.present),
            "caution": self.caution,
        }
        return content if self.files is None else content | {"files": self.files}

    def to_table(self) -> list[Any]:
        """Return the sites and strips; shares are of the total's standard error."""
        plan, units = self.plan, self.units
        share = 100 * plan.volume_se_m3 / plan.volume_m3 if plan.volume_m3 > 0 else 0.0
        total = f"{volume(plan.volume_m3, units)} +- {volume(plan.volume_se_m3, units)} {label(units.volume)}"
        strips = (
            f"Flight strips of {plan.strip_width_m / 1000:.1f} km to fly, the first first; the whole basin flown cuts "
            f"{_cut_of_se(plan.whole_flight)} %"
        )
        cuts = ("cuts alone %", "with those above %")
        site_headers = ("", "longitude", "latitude", "m", "slope", "ground", *cuts)
        return [
            f"{plan.date}, {plan.total}: {total} ({share:.0f} %). "
            "Each row tells by how much a measurement on this day would cut that standard error.",
            base.table("Sites to add, the first first", site_headers, [_site(row) for row in plan.sites.itertuples()]),
            base.table(
                strips, ("", "along, km", "length, km", *cuts), [_strip(row) for row in plan.strips.itertuples()]
            ),
            _present(plan.present),
            self.caution,
            *([] if self.folder is None else [f"Written: {self.folder}"]),
        ]


def _cut_of_se(variance_share: float) -> str:
    """Return the cut of a standard error in %, by its variance's share.

    >>> _cut_of_se(0.75)
    '50.0'
    """
    return f"{100 * (1.0 - (1.0 - min(variance_share, 1.0)) ** 0.5):.1f}"


def _site(row: Any) -> list[str]:  # noqa: ANN401  a row of itertuples
    return [
        row.name,
        f"{row.longitude:.4f}",
        f"{row.latitude:.4f}",
        f"{row.elevation_m:.0f}",
        f"{row.slope_degrees:.0f}",
        "steep" if row.avalanche_terrain else "",
        _cut_of_se(row.alone),
        _cut_of_se(row.together),
    ]


def _strip(row: Any) -> list[str]:  # noqa: ANN401  a row of itertuples
    axis = "northing" if row.name.startswith("east-west") else "easting"
    along = f"{axis} {row.middle_m / 1000:.1f}"
    return [row.name, along, f"{row.length_km:.0f}", _cut_of_se(row.alone), _cut_of_se(row.together)]


def _present(present: pd.DataFrame) -> Any:  # noqa: ANN401  a line or a table
    if present.empty:
        return "Present sites: not weighed, since on this day the map is the flight's own or one site carries it alone."
    rows = [
        (row.site_id, f"{100 * ((1 + row.grows) ** 0.5 - 1):.1f}") for row in present.head(FEW_PRESENT).itertuples()
    ]
    if len(present) > FEW_PRESENT:
        rows.append((f"and {len(present) - FEW_PRESENT} that carry more", ""))
    title = "Sites in use, those that carry least first (growth of the standard error without the site)"
    return base.table(title, ("site", "grows %"), rows)
