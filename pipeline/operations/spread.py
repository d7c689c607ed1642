"""Dates of a basin run on the workers that the settings name: in turn, each in a process of its own, in lasting processes, or on a cluster.

A date depends on inputs and settings only, so that it is the same wherever and in whichever order it is run.
"""

from __future__ import annotations

import datetime as dt
import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from pipeline.model.problems import SettingsError
from pipeline.operations.child_process import run_apart, stop_all
from pipeline.operations.night import NightResult, run_night
from pipeline.operations.stopping import raise_stops
from pipeline.settings.basin import Settings
from pipeline.settings.operations import Workers

Job = tuple[str, str, str, tuple[str, str]]
"""Settings file, date, run id, and command with reason."""


def run_dates(
    settings: Settings, dates: list[dt.date], run_id: str, why: tuple[str, str], workers: Workers
) -> Iterator[NightResult]:
    """Yield what became of each date, in the order given.

    Parameters
    ----------
    why : command and reason for the records.

    Raises
    ------
    SettingsError : the cluster cannot be reached, or this machine has no dask.distributed.
    """
    jobs: list[Job] = [(str(settings.file), date.isoformat(), run_id, why) for date in dates]
    if workers.engine == "serial" or not jobs:
        yield from (run_night(*job) for job in jobs)
    elif workers.engine == "dask":
        yield from _on_cluster(jobs, settings.dask.address, settings.operations.longest_s)
    elif workers.engine == "threads":
        limit_s = settings.operations.longest_s
        with ThreadPoolExecutor(_count(workers)) as pool:
            try:
                # Each thread waits for a process: the libraries that write netCDF bear no second thread.
                yield from pool.map(lambda job: run_apart(*job[:3], limit_s, job[3]), jobs)
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                stop_all()
                raise
    else:
        yield from _in_processes(jobs, _count(workers), settings.operations.longest_s)


def _count(workers: Workers) -> int:
    return workers.count or len(os.sched_getaffinity(0))


def _in_processes(jobs: list[Job], count: int, limit_s: float) -> Iterator[NightResult]:
    # Forked children would inherit locks of libraries' threads.
    spawned = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=spawned, initializer=raise_stops) as pool:
        futures: list[Future[NightResult]] = [pool.submit(run_night, *job) for job in jobs]
        try:
            for job, future in zip(jobs, futures, strict=True):
                try:
                    yield future.result()
                except BrokenProcessPool:
                    # One process was killed, and the pool with it: apart, each date answers for itself.
                    yield run_apart(*job[:3], limit_s, job[3])
        except KeyboardInterrupt:
            for process in multiprocessing.active_children():
                process.terminate()
            raise
        finally:
            # When the user stops it, dates that have not begun are left.
            pool.shutdown(wait=False, cancel_futures=True)


def _on_cluster(jobs: list[Job], address: str | None, limit_s: float) -> Iterator[NightResult]:
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
        futures = [client.submit(run_night, *job, on_cluster=True, pure=False) for job in jobs]
        patience_s = limit_s
        for job, future in zip(jobs, futures, strict=True):
            try:
                yield _given(future, futures, patience_s)
            except TimeoutError:
                # Its workers are busy with others', or hang: what they have not done by now is done here.
                future.cancel()
                patience_s = GIVEN_UP_S
                yield run_apart(*job[:3], limit_s, job[3])
            except Exception as trouble:  # noqa: BLE001  whatever a worker died of is that date's trouble
                message = f"the cluster lost this date: {type(trouble).__name__}. Look at its workers' memory and logs"
                yield NightResult(job[0], date=job[1], run_id=job[2], message=message, passing=True)


def _given(future: Any, futures: list[Any], patience_s: float) -> NightResult:  # noqa: ANN401  the cluster's own kind
    """Return what a worker made of a date; raise TimeoutError where none of the dates was finished for `patience_s`."""
    while True:
        done = sum(one.done() for one in futures)
        try:
            return future.result(timeout=patience_s)
        except TimeoutError:
            if sum(one.done() for one in futures) == done:
                raise


GIVEN_UP_S = 10.0
"""Once the cluster was silent for a date's whole time, each further date is waited for so long, s, before it is run here."""


CONNECT_S = "10s"
"""A scheduler that does not answer within this is not there."""
