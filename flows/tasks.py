"""Prefect around one date: a task that tries again what may be over soon, and marks what was killed."""

from __future__ import annotations

import uuid
from contextlib import suppress
from pathlib import Path
from typing import Any

from flows.quiet import surround

surround()

from prefect import get_client, task
from prefect.artifacts import create_markdown_artifact
from prefect.cache_policies import NO_CACHE
from prefect.runtime import flow_run
from prefect.states import Completed, Crashed, Failed, State

from pipeline.model.problems import SnowtallyError
from pipeline.operations.night import NightResult
from pipeline.operations.nights import run_once, summary
from pipeline.operations.notes import notes_of_crashed
from pipeline.settings.basin import read_settings


class FailedNightsError(RuntimeError):
    """Raised by Prefect for a flow of which a night failed; its words are one line, and it carries all results as plain values."""

    def __init__(self, message: str, results: list[dict[str, Any]]) -> None:
        super().__init__(message)
        self.results = results


def results_of(state: State) -> list[dict[str, Any]]:
    """Return what became of each date, as plain values, from the last state of a flow, failed or not."""
    found = state.result(raise_on_failure=False)
    return found.results if isinstance(found, FailedNightsError) else found


def is_passing(_task: Any, _run: Any, state: State) -> bool:  # noqa: ANN401  Prefect's own kinds
    """Return whether a failed try is to be tried again."""
    found = state.result(raise_on_failure=False)
    return isinstance(found, dict) and found["passing"]


@task(name="basin day", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=is_passing)
def basin_day(settings_file: str, date: str, run_id: str, why: tuple[str, str]) -> State:
    """Estimate and publish one basin's date in a process of its own; return the task's state with the result as plain values.

    A night that failed is a failed task, told in one line: its state is returned, as an exception would be logged with a traceback.
    """
    result = run_once(settings_file, date, run_id, why, str(flow_run.id))
    if result.state == "failed":
        return Failed(message=result.message, data=result.plain())
    return Completed(message=result.state, data=result.plain())


def run_one(settings_file: str, date: str, run_id: str, why: tuple[str, str]) -> NightResult:
    """Run one date as a task, with the retries of its settings. Never raises."""
    try:
        retry = read_settings(Path(settings_file)).operations.retry
    except SnowtallyError as trouble:
        return NightResult(settings_file, date=date, run_id=run_id, message=str(trouble))
    patient = basin_day.with_options(
        retries=retry.times,
        retry_delay_seconds=retry.waits_s or None,
        task_run_name=f"{Path(settings_file).stem} {date}",
    )
    state = patient(settings_file, date, run_id, why, return_state=True)
    found = state.result(raise_on_failure=False)
    if isinstance(found, dict):
        return NightResult(**found)
    return NightResult(settings_file, date=date, run_id=run_id, message=f"{type(found).__name__}: {found}")


def mark_crashed(settings_files: list[str]) -> None:
    """Mark the flow runs crashed whose nights were killed; the engine itself would call them running for ever."""
    for settings_file in settings_files:
        try:
            notes = notes_of_crashed(read_settings(Path(settings_file)).archive_root)
        except (SnowtallyError, OSError):
            continue
        for note in notes:
            # Another server's run, one whose database is gone, a server that fails: a mark is no reason to lose a night.
            with suppress(Exception), get_client(sync_client=True) as client:
                crashed = Crashed(message=f"run {note['run_id']} was killed")
                client.set_flow_run_state(uuid.UUID(note["flow_run_id"]), crashed, force=True)


def closing(results: list[NightResult], key: str) -> State:
    """Keep the summary as an artifact and return the flow's last state, failed when a night failed."""
    create_markdown_artifact(
        summary(results) if results else "Nothing was due.", key=key, description="What became of each date"
    )
    plain = [one.plain() for one in results]
    failed = [f"{one.basin or one.settings} {one.date} ({one.message})" for one in results if one.state == "failed"]
    if failed:
        message = "failed: " + "; ".join(failed)
        return Failed(message=message, data=FailedNightsError(message, plain))
    return Completed(message=f"{len(results)} dates done", data=plain)
