"""Prefect around one date: a task that tries again what may be over soon, and marks what was killed."""

from __future__ import annotations

import uuid
from contextlib import suppress
from pathlib import Path
from typing import Any

from flows.quiet import surround

surround()

from prefect import get_client, task  # noqa: E402  its settings are read at import
from prefect.artifacts import create_markdown_artifact  # noqa: E402
from prefect.cache_policies import NO_CACHE  # noqa: E402
from prefect.runtime import flow_run  # noqa: E402
from prefect.states import Completed, Crashed, Failed, State  # noqa: E402

from pipeline.operations.night import NightResult  # noqa: E402
from pipeline.operations.nights import run_once, summary  # noqa: E402
from pipeline.operations.notes import notes_of_crashed  # noqa: E402
from pipeline.problems import SnowtallyError  # noqa: E402
from pipeline.settings import read_settings  # noqa: E402


class PassingTroubleError(OSError):
    """Raised when a night failed for a cause outside the program that may be over soon; carries the night's result."""

    def __init__(self, result: NightResult) -> None:
        super().__init__(result.message)
        self.result = result


def is_passing(_task: Any, _run: Any, state: State) -> bool:  # noqa: ANN401  Prefect's own kinds
    """Return whether a failed try is to be tried again."""
    return isinstance(state.result(raise_on_failure=False), PassingTroubleError)


@task(name="basin day", cache_policy=NO_CACHE, persist_result=False, retry_condition_fn=is_passing)
def basin_day(settings_file: str, date: str, run_id: str, why: tuple[str, str]) -> dict[str, Any]:
    """Estimate and publish one basin's date in a process of its own; return its result as plain values.

    Raises
    ------
    PassingTroubleError : it failed, and may do better soon. What would be the same at a second try comes back as a failed result.
    """
    result = run_once(settings_file, date, run_id, why, str(flow_run.id))
    if result.passing:
        raise PassingTroubleError(result)
    return result.plain()


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
    if isinstance(found, PassingTroubleError):
        return found.result
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
        return Failed(message="failed: " + "; ".join(failed), data=plain)
    return Completed(message=f"{len(results)} dates done", data=plain)
