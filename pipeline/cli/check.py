"""The command that reads and checks every input."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pipeline.cli import base
from pipeline.cli.values import plain_rows
from pipeline.operations.stopping import time_limit

if TYPE_CHECKING:
    import datetime as dt

    from pipeline.gather.day import Readings
    from pipeline.settings.basin import Settings


def check(
    settings: base.SettingsFile,
    date: base.DateOption = None,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Read and check every input, and publish nothing. Exit status 1 where a night on them would fail, 3 where it would be degraded."""
    chosen = base.read(settings)
    with base.progress(as_json=as_json, verbose=verbose, stages=base.STAGES) as stage:
        stage("starting")
        result = checked(chosen, base.day_asked(date, chosen), stage)
    base.finish(result, as_json=as_json)


def checked(settings: Settings, date: dt.date, stage: Callable[[str], None]) -> CheckResult:
    """Return what a date may use.

    Raises
    ------
    SnowtallyError : a required input cannot be used.
    """
    from pipeline.estimate.estimate import why_no_estimate
    from pipeline.gather import day as gather

    with time_limit(settings.operations.limits.night_s, f"{settings.basin.id} {date}"):
        readings = gather.read_inputs(settings, date, stage)
        return CheckResult(readings, why_no_estimate(readings.inputs, gather.choices(settings)))


@dataclass(frozen=True)
class CheckResult(base.Result):
    """What a date may use, and the findings on it.

    Parameters
    ----------
    readings : the inputs.
    impossible : why a night on these inputs would fail, empty where it would not.
    """

    readings: Readings
    impossible: str

    @property
    def status(self) -> base.Status:
        """What a night on these inputs would end with."""
        return (
            base.Status.FAILED
            if self.impossible
            else base.Status.DEGRADED
            if self.readings.degraded
            else base.Status.OK
        )

    def to_json(self) -> dict[str, Any]:
        """Return the files, the number of rows and the findings."""
        from pipeline.cli.findings import by_site

        readings = self.readings
        return {
            "basin": readings.inputs.day.basin_id,
            "date": str(readings.inputs.day.date),
            "no_estimate": self.impossible,
            "degraded": readings.degraded,
            "rows": {name: len(rows) for name, rows in readings.rows.items()},
            "flights": [flight.attrs["flight_id"] for flight in readings.inputs.flights],
            "files": [
                {"role": f.role, "path": str(f.path), "size": f.size, "sha256": f.sha256} for f, _ in readings.files
            ],
            "findings": plain_rows(readings.inputs.checks),
            "by_site": plain_rows(by_site(readings.inputs.checks)),
        }

    def to_table(self) -> list[Any]:
        """Return what was read, and the findings by site."""
        from pipeline.cli.findings import findings_by_site

        return self._lines(findings_by_site(self.readings.inputs.checks))

    def summary(self) -> list[Any]:
        """Return what was read, and how many findings there are of each rule."""
        from pipeline.cli.findings import findings_in_short

        return self._lines(findings_in_short(self.readings.inputs.checks))

    def _lines(self, findings: str) -> list[Any]:
        from pipeline.cli.findings import why_degraded

        inputs, rows, ground = self.readings.inputs, self.readings.rows, self.readings.inputs.ground
        parts: list[Any] = [
            base.styled(f"{inputs.title}: inputs that {inputs.day.date} may use", "bold"),
            f"{len(ground.sites)} sites; {len(rows['courses'])} course samples on {len(ground.visits)} visits; "
            f"{len(rows['stations'])} station readings on {len(ground.daily)} station days; "
            f"{len(inputs.flights)} flights; {len(rows['weather'])} days of weather",
            findings,
        ]
        if self.impossible:
            parts.append(base.styled(f"A night on these inputs would fail: {self.impossible}", "red"))
        elif self.readings.degraded:
            degraded = f"A night on these inputs would be degraded: {why_degraded(self.readings)}"
            parts.append(base.styled(degraded, "yellow"))
        return parts
