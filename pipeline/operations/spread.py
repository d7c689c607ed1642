"""Dates of a basin run on the workers that the settings name: in turn, in lasting processes, or on a cluster.

A date depends on inputs and settings only, so that it is the same wherever and in whichever order it is run. Processes and
clusters are used through one interface, the standard library's `Executor`.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial

from snowtally.model.cores import own_cores
from snowtally.model.problems import SettingsError
from snowtally.operations.child_process import run_apart
from snowtally.operations.night import Job, NightResult, run_night
from snowtally.operations.run_id import new_run_id
from snowtally.operations.stopping import raise_stops
from snowtally.settings.basin import Settings
from snowtally.settings.operations import Workers

CONNECT_S = 10
"""A scheduler that does not answer within this is not there, s (chosen: it is in the same network)."""

GIVEN_UP_S = 10.0
"""Once the workers were silent for a date's whole time, each further date is waited for so long, s, before it is run here (chosen)."""


@dataclass(frozen=True)
class _Pool:
    """Workers for dates.

    Parameters
    ----------
    executor : gives them dates.
    run : what a worker does with one.
    end_workers : ends those that hang, where they are ours.
    """

    executor: Executor
    run: Callable[[Job], NightResult]
    end_workers: Callable[[], None]


def backfill_jobs(settings: Settings, dates: list[dt.date]) -> list[Job]:
    """Return the jobs of a backfill under a new run's name."""
    run_id = new_run_id()
    return [Job(str(settings.file), date.isoformat(), run_id, "backfill", "backfill") for date in dates]


def run_dates(settings: Settings, jobs: list[Job], workers: Workers) -> Iterator[NightResult]:
    """Yield what became of each date, in the order given.

    A date that its worker loses, or keeps for longer than a date may take, is run here in a process of its own.

    Raises
    ------
    SettingsError : the cluster cannot be reached, or this machine has no dask.distributed.
    """
    if workers.engine == "serial" or not jobs:
        yield from map(run_night, jobs)
        return
    limit_s = patience_s = settings.operations.longest_s
    with _cluster(settings.dask.address) if workers.engine == "dask" else _processes(workers.count) as pool:
        futures = [pool.executor.submit(pool.run, job) for job in jobs]
        for job, future in zip(jobs, futures, strict=True):
            try:
                result = _result(future, futures, patience_s)
            except TimeoutError:
                if not future.done():
                    # The workers are busy with others' dates, or hang. Where it is done, the date itself raised this.
                    future.cancel()
                    pool.end_workers()
                    patience_s = GIVEN_UP_S
                result = run_apart(job, limit_s)
            except Exception:  # noqa: BLE001  whatever a worker died of, its date answers for itself
                result = run_apart(job, limit_s)
            yield result


def _result(future: Future[NightResult], futures: list[Future[NightResult]], patience_s: float) -> NightResult:
    """Return what a worker made of a date.

    Raises
    ------
    TimeoutError : none of the dates was finished for `patience_s`.
    """
    while True:
        done = sum(one.done() for one in futures)
        try:
            return future.result(timeout=patience_s)
        except TimeoutError:
            if future.done() or sum(one.done() for one in futures) == done:
                raise


@contextmanager
def _processes(count: int | None) -> Iterator[_Pool]:
    # Forked children would inherit locks of libraries' threads.
    spawned = multiprocessing.get_context("spawn")

    def kill() -> None:
        for process in multiprocessing.active_children():
            process.kill()

    with ProcessPoolExecutor(count or own_cores(), mp_context=spawned, initializer=raise_stops) as executor:
        try:
            yield _Pool(executor, run_night, kill)
        except KeyboardInterrupt:
            for process in multiprocessing.active_children():
                process.terminate()
            raise
        finally:
            # When the user stops it, dates that have not begun are left.
            executor.shutdown(wait=False, cancel_futures=True)


@contextmanager
def _cluster(address: str | None) -> Iterator[_Pool]:
    if address is None:
        raise SettingsError("operations.workers: engine dask needs dask.address, the cluster's scheduler")
    try:
        from distributed import Client  # noqa: PLC0415  needed for clusters alone
    except ImportError:
        raise SettingsError(
            "operations.workers: engine dask needs dask.distributed: pip install 'snowtally[cluster]'"
        ) from None
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as trouble:
        raise SettingsError(
            f"dask.address: no dask scheduler answers at {address} ({type(trouble).__name__}). Start one, or take "
            "another engine"
        ) from None
    with client:
        yield _Pool(client.get_executor(pure=False), partial(run_night, on_cluster=True), lambda: None)
