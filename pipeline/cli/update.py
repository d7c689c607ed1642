"""The command that estimates a date and publishes it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from snowtally.cli import base
from snowtally.cli.values import figure, label, plain_rows, revision_facts, volume
from snowtally.model.problems import SettingsError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from rich.table import Table

    from snowtally.gather.day import Readings
    from snowtally.operations.run import Outcome
    from snowtally.report.units import Units


def update(
    settings: base.SettingsFile,
    date: base.DateOption = None,
    make_current: base.MakeCurrentOption = False,
    reason: base.ReasonOption = None,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Estimate a date and publish it into the archive."""
    if reason is not None and not make_current:
        raise SettingsError("--reason goes with --make-current here; `snowtally rerun` takes a reason by itself")
    wanted = base.reason_of(reason) if make_current else None
    chosen = base.read(settings)
    with base.progress(as_json=as_json, verbose=verbose, stages=base.STAGES) as stage:
        stage("starting")
        from snowtally.operations import run
        from snowtally.report.units import UNITS

        how = run.NIGHTLY if wanted is None else run.Run(reason=wanted, make_current=True)
        asked = base.day_asked(date, chosen)
        result = UpdateResult(run.update(chosen, asked, stage, how), UNITS[chosen.report.units])
    base.finish(result, as_json=as_json)


@dataclass(frozen=True)
class UpdateResult(base.Result):
    """What an update came to, with the figures that were published.

    Parameters
    ----------
    outcome : what it did.
    units : units of the lines and tables; JSON has the archive's.
    """

    outcome: Outcome
    units: Units

    @property
    def status(self) -> base.Status:
        """Degraded where somebody is to look at the day."""
        return base.Status.DEGRADED if self.outcome.to_look_at else base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return the revision, its totals, its outlook and its findings."""
        from snowtally.cli.findings import published_checks
        from snowtally.reading import revision_totals

        outcome, published = self.outcome, self.outcome.published
        totals, outlook = revision_totals(published.path), _outlook(published.path)
        whole_basin = ["basin_id", "level", "zone_id", "band_low_m", "band_high_m"]
        return {
            "basin": outcome.readings.inputs.day.basin_id,
            "date": str(outcome.readings.inputs.day.date),
            **revision_facts(published),
            "degraded": outcome.readings.degraded,
            "second_look": outcome.second_look,
            "new_archive": outcome.new_archive,
            "page": None if outcome.pages.day is None else str(outcome.pages.day),
            "page_troubles": outcome.pages.troubles,
            "totals": plain_rows(totals[totals["level"].isin(["basin", "zone", "band"])]),
            "outlook": None if outlook is None else plain_rows(outlook.drop(columns=whole_basin)),
            "findings": plain_rows(published_checks(published.path)),
        }

    def to_table(self) -> list[Any]:
        """Return the basin, its bands, the inputs, the archive entry."""
        from snowtally.cli.findings import findings_in_short, published_checks, why_degraded
        from snowtally.reading import basin_row, revision_totals
        from snowtally.report.words import CAUTIONS

        outcome, units, published = self.outcome, self.units, self.outcome.published
        totals, checks = revision_totals(published.path), published_checks(published.path)
        basin, area = basin_row(totals), label(units.area)
        water, se, p10, p90 = (volume(basin[f"volume_{name}m3"], units) for name in ("", "se_", "p10_", "p90_"))
        mean, mean_se = (
            f"{figure(basin[name], units.swe)} {label(units.swe)}" for name in ("swe_mean_mm", "swe_se_mm")
        )
        whole, snow = (f"{figure(basin[name], units.area)} {area}" for name in ("area_km2", "snow_area_km2"))
        entry = f"Nothing new published: {published.why}" if published.unchanged else "Revision published"
        warnings = [
            *(["Degraded night: " + why_degraded(outcome.readings)] if outcome.readings.degraded else []),
            *([f"For a second look: {outcome.second_look}"] if outcome.second_look else []),
        ]
        return [
            base.styled(f"{outcome.readings.inputs.title}, {outcome.readings.inputs.day.date}", "bold"),
            *(
                base.styled(f"{line[:1].upper()}{line[1:]}: readers do not get the figures below", "yellow")
                for line in published.held_back_line
            ),
            f"Water in the snow: {water} {label(units.volume)}, standard error {se} (80 % likely between {p10} and {p90})",
            f"Mean SWE: {mean}, standard error {mean_se}, over {whole}, of which {snow} under snow",
            _bands(totals, units),
            *_outlook_lines(published.path, units),
            _sources(outcome.readings, published.path, checks),
            findings_in_short(checks),
            *(base.styled(line, "yellow") for line in warnings),
            f"{entry}: {published.path}",
            *([f"Made current by your decision: {published.path.name}"] if published.made_current else []),
            *([base.styled(f"Note: {outcome.new_archive}", "yellow")] if outcome.new_archive else []),
            *([f"Page: {outcome.pages.day}"] if outcome.pages.day else []),
            *(base.styled(f"The {trouble}", "yellow") for trouble in outcome.pages.troubles),
            base.styled(" ".join(CAUTIONS[:2]), "dim"),
        ]


def _outlook(path: Path) -> pd.DataFrame | None:
    """Return the basin's days of a revision's melt outlook, None without one."""
    import pandas as pd

    from snowtally.storage.paths import local_file

    if not (path / "outlook.csv").exists():
        return None
    days = pd.read_csv(local_file(path / "outlook.csv"))
    return days[days["level"] == "basin"]


def _outlook_lines(path: Path, units: Units) -> list[str]:
    """Return what melts, or why there is no outlook.

    Nothing is said of a revision of a program that knew no outlook.
    """
    from snowtally.reading import load_record

    days = _outlook(path)
    if days is None:
        outlook = load_record(path)["models"].get("outlook")
        return [f"No melt outlook: {outlook['why']}"] if outlook else []
    first, last = days.iloc[0], days.iloc[-1]
    # Errors of the days are nearly one and the same.
    melt, error = (volume(days[name].sum(), units) for name in ("melt_m3", "melt_se_m3"))
    return [
        f"Melt outlook {first['day']} to {last['day']}: {melt} {label(units.volume)} may melt, standard error {error}; "
        f"{figure(last['snow_area_km2'], units.area)} {label(units.area)} then under snow. Potential melt is not runoff: "
        "no routing, no losses, no rain on snow"
    ]


def _bands(totals: pd.DataFrame, units: Units) -> Table:

    area, swe = label(units.area), label(units.swe)
    headers = (
        f"band {label(units.band)}", f"area {area}", f"snow {area}", f"mean SWE {swe}", "se", label(units.volume),
        "se", "80 %\nfrom", "80 %\nto", f"density {label(units.density)}",
    )  # fmt: skip
    rows = [
        [
            f"{figure(row.band_low_m, units.band)}-{figure(row.band_high_m, units.band)}",
            figure(row.area_km2, units.area, finer=1),
            figure(row.snow_area_km2, units.area, finer=1),
            figure(row.swe_mean_mm, units.swe),
            figure(row.swe_se_mm, units.swe),
            *(volume(m3, units) for m3 in (row.volume_m3, row.volume_se_m3, row.volume_p10_m3, row.volume_p90_m3)),
            figure(row.density_mean_kg_m3, units.density),
        ]
        for row in totals[totals["level"] == "band"].sort_values("band_low_m", ascending=False).itertuples()
    ]
    return base.table("By elevation band", headers, rows, words=0)


def _sources(readings: Readings, path: Path, checks: pd.DataFrame) -> Table:
    """Return how much of each input was used and set aside."""
    import pandas as pd

    from snowtally.storage.paths import local_file

    ground, sites = readings.inputs.ground, pd.read_csv(local_file(path / "sites.csv"))
    aside = checks[checks["action"] == "set aside"].groupby("table").size()
    flights = ", ".join(f"{f.attrs['flight_id']} of {f.attrs['date']}" for f in readings.inputs.flights)
    used = {
        "sites": f"{int(sites['used'].sum())} of {len(sites)} for this date",
        "courses": f"{len(ground.visits)} visits this season",
        "stations": f"{len(ground.daily)} station days this season",
        "flights": flights or "none yet",
        "covers": _covers(readings) or "none yet",
    }
    rows = [(name, words, str(aside.get(name, 0))) for name, words in used.items()]
    return base.table("What was used", ("input", "used", "findings set aside"), rows, words=3)


def _covers(readings: Readings) -> str:
    """Return the variables and dates of the cover grids used."""
    used: dict[str, list[str]] = {}
    for file, _ in readings.files:
        role, *words = file.role.split()
        if role == "cover":
            date, variable = words
            used.setdefault(variable, []).append(date)
    return ", ".join(f"{variable} of {' and '.join(sorted(set(dates)))}" for variable, dates in sorted(used.items()))
