"""The command that reads and checks every input."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli import dry_run as shown
from snowtally.cli.values import plain_rows
from snowtally.model.problems import SettingsError
from snowtally.operations.stopping import time_limit
from snowtally.report.words import flight_words

if TYPE_CHECKING:
    import datetime as dt

    from rich.text import Text

    from snowtally.gather.day import Readings
    from snowtally.model.dry_run import DryRun
    from snowtally.report.units import Units
    from snowtally.settings.basin import Settings


def check(
    settings: base.SettingsFile,
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="With --page: the page's file.", show_default=False)
    ] = None,
    date: base.DateOption = None,
    page: Annotated[
        bool,
        typer.Option("--page", help="Make a page: map, time-line, tables. Default: check.html beside the settings."),
    ] = False,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Read and check every input as a night would, and publish nothing. Exit status 1 where a night would fail, 3 where it would be degraded."""
    if file is not None and not page:
        raise SettingsError(f"'{file}' goes with --page: snowtally check SETTINGS --page FILE")
    chosen = base.read(settings)
    target = _target(chosen, file) if page else None
    with base.progress(as_json=as_json, verbose=verbose, stages=base.STAGES) as stage:
        stage("starting")
        result = checked(chosen, base.day_asked(date, chosen), stage)
        if target is not None:
            stage("drawing the page")
            result = _with_page(result, target)
    base.finish(result, as_json=as_json)


def checked(settings: Settings, date: dt.date, stage: Callable[[str], None]) -> CheckResult:
    """Return what a date may use.

    Raises
    ------
    SnowtallyError : a required input cannot be used.
    """
    from snowtally.estimate.estimate import why_no_estimate
    from snowtally.gather import day as gather
    from snowtally.gather.dry_run import dry_run
    from snowtally.report.units import UNITS

    with time_limit(settings.operations.limits.night_s, f"{settings.basin.id} {date}"):
        readings = gather.read_inputs(settings, date, stage)
        impossible = why_no_estimate(readings.inputs, gather.choices(settings))
        return CheckResult(readings, dry_run(readings, settings, impossible), UNITS[settings.report.units])


def _target(settings: Settings, file: Path | None) -> Path:
    """Return where the page is written: a file outside of archives."""
    from snowtally.storage.paths import outside_archives

    target = settings.file.parent / CHECK_PAGE if file is None else file
    return outside_archives(target.absolute(), "--page")


def _with_page(result: CheckResult, target: Path) -> CheckResult:
    """Return the result once its page is written."""
    from snowtally.report.check_page import check_page
    from snowtally.storage.failures import explained

    data = check_page(result.run, result.readings.losses, result.units)
    with explained(f"Cannot write the page {target}"):
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
    return replace(result, page=target)


CHECK_PAGE = "check.html"
"""The page's name where none is given."""


@dataclass(frozen=True)
class CheckResult(base.Result):
    """What a date may use, and the findings on it.

    Parameters
    ----------
    readings : the inputs.
    run : what a night would use of them.
    units : units of lines and tables; JSON has the archive's.
    page : the page that was written, None without one.
    """

    readings: Readings
    run: DryRun
    units: Units
    page: Path | None = None

    @property
    def status(self) -> base.Status:
        """What a night on these inputs would end with."""
        return (
            base.Status.FAILED
            if self.run.impossible
            else base.Status.DEGRADED
            if self.readings.degraded
            else base.Status.OK
        )

    def to_json(self) -> dict[str, Any]:
        """Return the files, what would be used by input, site and flight, and the findings."""
        from snowtally.cli.findings import by_site

        readings = self.readings
        return {
            "basin": readings.inputs.day.basin_id,
            "date": str(readings.inputs.day.date),
            "no_estimate": self.run.impossible,
            "degraded": readings.degraded,
            "rows": {name: len(rows) for name, rows in readings.rows.items()},
            "flights": [flight.attrs["flight_id"] for flight in readings.inputs.flights],
            "files": [
                {"role": f.role, "path": str(f.path), "size": f.size, "sha256": f.sha256} for f, _ in readings.files
            ],
            **shown.plain(self.run),
            "page": None if self.page is None else str(self.page),
            "findings": plain_rows(readings.inputs.checks),
            "by_site": plain_rows(by_site(readings.inputs.checks)),
        }

    def to_table(self) -> list[Any]:
        """Return what a night would use, the findings by site, and how the night would end."""
        from snowtally.cli.findings import findings_by_site

        run = self.run
        return [
            *self._counts(),
            shown.inputs_table(run.inputs),
            *shown.unit_lines(run.inputs),
            shown.sites_table(run.sites, self.units),
            shown.sites_note(self.units),
            *(f"Flight {flight_words(one)}" for one in run.flights),
            findings_by_site(run.findings),
            self._verdict(),
            *([f"Page: {self.page}"] if self.page else []),
        ]

    def summary(self) -> list[Any]:
        """Return what was read, how many findings there are of each rule, and how a night would end."""
        from snowtally.cli.findings import findings_in_short

        nothing = [base.styled(line, "yellow") for line in shown.gives_nothing(self.run)]
        return [*self._counts(), *nothing, findings_in_short(self.run.findings), self._verdict()]

    def _counts(self) -> list[Any]:
        inputs, rows, ground = self.readings.inputs, self.readings.rows, self.readings.inputs.ground
        return [
            base.styled(f"{inputs.title}: inputs that {inputs.day.date} may use", "bold"),
            f"{len(ground.sites)} sites; {len(rows['courses'])} course samples on {len(ground.visits)} visits; "
            f"{len(rows['stations'])} station readings on {len(ground.daily)} station days; "
            f"{len(inputs.flights)} flights; {len(rows['weather'])} days of weather",
        ]

    def _verdict(self) -> Text:
        """Return in a line how a night would end, and what to do."""
        from snowtally.cli.findings import why_degraded

        if self.run.impossible:
            return base.styled(f"A night on these inputs would fail: {self.run.impossible}", "red")
        if self.readings.degraded:
            degraded = f"A night on these inputs would be degraded: {why_degraded(self.readings)}"
            return base.styled(degraded, "yellow")
        return base.styled("A night on these inputs would be sound.", "green")
