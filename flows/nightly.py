"""The nightly flow: every basin's day, one after the other; one basin's failure never hides another's success."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

from flows.quiet import surround

surround()

from prefect import flow, get_run_logger, task  # noqa: E402  its settings are read at import
from prefect.cache_policies import NO_CACHE  # noqa: E402
from prefect.states import Completed, Failed, State  # noqa: E402

from pipeline.problems import SnowtallyError  # noqa: E402


@task(name="basin day", cache_policy=NO_CACHE, persist_result=False)
def basin_day(settings_file: str, date: str | None) -> dict[str, Any]:
    """Estimate and publish one basin's date; return what became of it as plain values.

    Trouble that is ours to tell (settings, inputs, archive, no estimate) comes back as a failed result with its one line; it
    would be the same at a second try.
    """
    from pipeline import run  # noqa: PLC0415  the science is loaded where a day is run
    from pipeline.settings import read_settings  # noqa: PLC0415

    log = get_run_logger()
    try:
        settings = read_settings(Path(settings_file))
        day = dt.date.fromisoformat(date) if date else run.last_complete_day(settings, dt.datetime.now(dt.UTC))
        outcome = run.update(settings, day, lambda stage: log.debug("%s: %s", settings.basin.id, stage))
    except SnowtallyError as trouble:
        log.error("%s: %s", settings_file, trouble)  # noqa: TRY400  the line is for people, the traceback is not
        return {"settings": settings_file, "state": "failed", "message": str(trouble)}
    return {
        "settings": settings_file,
        "basin": settings.basin.id,
        "date": str(day),
        "state": "degraded" if outcome.readings.degraded else "done",
        "revision": outcome.published.revision,
        "unchanged": outcome.published.unchanged,
        "path": str(outcome.published.path),
        "message": "; ".join(outcome.readings.degraded),
    }


@flow(name="nightly", log_prints=False, persist_result=False)
def nightly(settings_files: list[str], date: str | None = None) -> State:
    """Run every basin's day and return their results, in the order given.

    Parameters
    ----------
    settings_files : one settings file a basin.
    date : local day, ISO 8601; default each basin's last complete one.

    The flow fails when a basin failed, after all have been run; its message names them.
    """
    results = []
    for settings_file in settings_files:
        state = basin_day(settings_file, date, return_state=True)
        if state.is_completed():
            results.append(state.result())
        else:
            # What nobody foresaw in one basin must not keep the next from being run.
            results.append({"settings": settings_file, "state": "failed", "message": state.message or "crashed"})
    failed = [f"{result['settings']} ({result['message']})" for result in results if result["state"] == "failed"]
    if failed:
        return Failed(message="failed: " + "; ".join(failed), data=results)
    return Completed(message=f"{len(results)} basins done", data=results)
