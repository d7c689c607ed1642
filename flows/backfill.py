"""The flow of dates that the archive lacks, on the workers that the settings name."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from snowtally.flows.quiet import set_environment

set_environment()

from prefect import flow
from prefect.states import State

from snowtally.flows.tasks import closing
from snowtally.operations.messages import report_night
from snowtally.operations.night import NightResult
from snowtally.operations.rerun import dates_lacking
from snowtally.operations.spread import backfill_jobs, run_dates
from snowtally.settings.basin import read_settings


@flow(name="backfill", log_prints=False, persist_result=False)
def backfill(settings_file: str, first: str, last: str) -> State:
    """Estimate the dates from first to last that the archive lacks.

    Both are ISO 8601, and included.

    Dates go to the workers as settings file and date; the engine is told of the whole, not of each: its workers need no Prefect.

    Raises
    ------
    SettingsError : the settings cannot be used, last lies before first, or no cluster answers.
    """
    settings = read_settings(Path(settings_file))
    dates = dates_lacking(settings, dt.date.fromisoformat(first), dt.date.fromisoformat(last))
    results: list[NightResult] = []
    for result in run_dates(settings, backfill_jobs(settings, dates), settings.operations.workers):
        report_night(result)
        results.append(result)
    return closing(results, "backfill-summary")
