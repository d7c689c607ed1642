"""Prefect around one date: a task that tries again what may be over soon, and marks what was killed."""

from __future__ import annotations

import uuid
from contextlib import suppress
from pathlib import Path
from typing import Any

from snowtally.flows.quiet import set_environment

set_environment()

from prefect import get_client, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.runtime import flow_run
from prefect.states import Completed, Crashed, Failed, State

from snowtally.model.problems import SnowtallyError
from snowtally.operations.night import Job, NightResult
from snowtally.operations.night import State as NightState
from snowtally.operations.nights import run_once, summary
from snowtally.operations.notes import notes_of_crashed
from snowtally.settings.basin import read_settings


class FailedNightsError(RuntimeError):
    """Raised by Prefect for a flow of which a night failed.

    Its words are one line, and it carries all results as plain values.
    """

    def __init__(self, message: str, results: list[dict[str, Any]]) -> None:
        super().__init__(message)
        self.results = results


def results_of(state: State) -> list[dict[str, Any]]:
    """Return the dates' results in plain values from a flow's last state."""
    result: Any = state.result(raise_on_failure=False)
    return result.results if isinstance(result, FailedNightsError) else result


def is_passing(_task: Any, _run: Any, state: State) -> bool:  # noqa: ANN401  Prefect's own kinds
    """Return whether a failed try is to be tried again."""
    result: Any = state.result(raise_on_failure=False)
    return isinstance(result, dict) and result["passing"]


@task(name="basin day", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=is_passing)
def basin_day(job: Job) -> State:
    """Run one date and return the task's state with the result.

    A night that failed is a failed task, with one line: its state is returned, as an exception would be logged with a traceback.
    """
    result = run_once(job, str(flow_run.id))
    if result.state == NightState.FAILED:
        return Failed(message=result.message, data=result.plain())
    return Completed(message=result.state, data=result.plain())


def run_one(job: Job) -> NightResult:
    """Run one date as a task, with the retries of its settings. Never raises."""
    try:
        retry = read_settings(Path(job.settings)).operations.retry
    except SnowtallyError as trouble:
        return NightResult(job.settings, date=job.date, run_id=job.run_id, message=str(trouble))
    patient = basin_day.with_options(
        retries=retry.times,
        retry_delay_seconds=retry.waits_s or 0.0,
        task_run_name=f"{Path(job.settings).stem} {job.date}",
    )
    result: Any = patient(job, return_state=True).result(raise_on_failure=False)
    if isinstance(result, dict):
        return NightResult.from_plain(result)
    return NightResult(job.settings, date=job.date, run_id=job.run_id, message=f"{type(result).__name__}: {result}")


def mark_crashed(settings_files: list[str]) -> None:
    """Mark the flow runs crashed whose nights were killed.

    The engine itself would call them running for ever.
    """
    for settings_file in settings_files:
        try:
            notes = notes_of_crashed(read_settings(Path(settings_file)).archive_root)
        except (SnowtallyError, OSError):
            continue
        for note in notes:
            # Another server's run, one whose database is gone, a server that fails: a mark is no reason to lose a night.
            with suppress(Exception), get_client(sync_client=True) as client:
                crashed: State[Any] = Crashed(message=f"run {note['run_id']} was killed")
                client.set_flow_run_state(uuid.UUID(note["flow_run_id"]), crashed, force=True)


def closing(results: list[NightResult], key: str) -> State:
    """Return a flow's last state, failed when a night failed.

    The summary is stored as an artifact under `key`.
    """
    create_markdown_artifact(
        summary(results) if results else "Nothing was due.", key=key, description="What became of each date"
    )
    plain = [one.plain() for one in results]
    failed = [
        f"{one.basin or one.settings} {one.date} ({one.message})" for one in results if one.state == NightState.FAILED
    ]
    if failed:
        message = "failed: " + "; ".join(failed)
        return Failed(message=message, data=FailedNightsError(message, plain))
    return Completed(message=f"{len(results)} dates done", data=plain)
