"""The flow that looks for rows and grids that came or changed after their dates were estimated."""

from __future__ import annotations

import datetime as dt

from snowtally.flows.quiet import set_environment

set_environment()

from prefect import flow
from prefect.states import State

from snowtally.flows.tasks import closing, run_one
from snowtally.model.problems import SnowtallyError, one_line
from snowtally.operations.night import NightResult
from snowtally.operations.nights import watch as look
from snowtally.operations.run_id import new_run_id
from snowtally.settings.basin import read_settings


@flow(name="watch", log_prints=False, persist_result=False)
def watch(settings_files: list[str], now: str | None = None) -> State:
    """Report the dates whose inputs changed; rerun them if the settings say so.

    Parameters
    ----------
    now : the instant up to which dates are looked at, ISO 8601 with offset; default the clock's.
    """
    instant = dt.datetime.now(dt.UTC) if now is None else dt.datetime.fromisoformat(now)
    results, run_id = [], new_run_id()
    for settings_file in settings_files:
        try:
            until = read_settings(settings_file).last_complete_day(instant)
        except (SnowtallyError, OSError) as trouble:
            results.append(NightResult(settings_file, run_id=run_id, message=one_line(trouble)))
            continue
        results += look(settings_file, until, run_id, run_one)
    return closing(results, "watch-summary")
