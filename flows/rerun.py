"""The flow of dates estimated again by hand, each as a new revision that carries the reason."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from snowtally.flows.quiet import set_environment

set_environment()

from prefect import flow
from prefect.states import State

from snowtally.flows.tasks import closing, run_one
from snowtally.operations.messages import report_night
from snowtally.operations.night import Job, NightResult
from snowtally.operations.rerun import dates_to_rerun
from snowtally.operations.run_id import new_run_id
from snowtally.settings.basin import read_settings


@flow(name="rerun", log_prints=False, persist_result=False)
def rerun(settings_file: str, first: str, last: str, reason: str) -> State:
    """Estimate the held dates from first to last again.

    The dates are ISO 8601, and included; the inputs are those that there are now.

    Raises
    ------
    SettingsError : the settings cannot be used, or last lies before first.
    ArchiveError : the archive holds none of the dates.
    """
    settings, run_id = read_settings(Path(settings_file)), new_run_id()
    dates = dates_to_rerun(settings, dt.date.fromisoformat(first), dt.date.fromisoformat(last), only_held=True)
    results: list[NightResult] = []
    for date in dates:
        results.append(run_one(Job(settings_file, str(date), run_id, "rerun", reason)))
        report_night(results[-1])
    return closing(results, "rerun-summary")
