"""One basin's date from waiting for its inputs to telling people, in plain values that travel between processes."""

from __future__ import annotations

import datetime as dt
import errno
import threading
import time
from dataclasses import asdict, dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from snowtally.model.problems import BusyError
from snowtally.operations import run
from snowtally.operations.arrival import Clock, input_paths, wait_for_arrival
from snowtally.operations.joblog import JobLog
from snowtally.settings.basin import read_settings
from snowtally.storage.failure_log import failure_line

PASSING = frozenset({
    errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.EBUSY, errno.EAGAIN, errno.ENOSPC, errno.EDQUOT, errno.ENETDOWN,
    errno.ENETUNREACH, errno.ECONNRESET, errno.ECONNABORTED, errno.ECONNREFUSED, errno.EHOSTDOWN, errno.EHOSTUNREACH,
    errno.ENOTCONN, errno.EPIPE, errno.EINTR, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EREMOTEIO, errno.ENOLCK,
})  # fmt: skip
"""Trouble of disks, networks and machines that may be over in a few minutes. A file that is not there or not ours is not."""

_ONE_AT_A_TIME = threading.Lock()
"""The libraries that write netCDF bear no second thread in their process: a cluster's workers may have several."""


@dataclass(frozen=True)
class Job:
    """A basin's date to be run, in plain values.

    Parameters
    ----------
    settings : the settings file.
    date : the local day, ISO 8601.
    run_id : names the run in its lock, its log and its messages.
    command, reason : for the record.
    """

    settings: str
    date: str
    run_id: str
    command: str = "update"
    reason: str = "nightly update"


class State(StrEnum):
    """What became of a night."""

    DONE = "done"
    DEGRADED = "degraded"
    FAILED = "failed"


@dataclass(frozen=True)
class NightResult:
    """What became of a basin's date.

    Parameters
    ----------
    settings : the settings file.
    basin, date : which night; empty where the settings could not be read.
    run_id : names the run in the log and in every message.
    state : done, degraded, or failed.
    passing : whether a failure comes from outside and may be over soon.
    revision, path, unchanged : what is published; unchanged when it was there before.
    held_back : why another revision stays current, empty where this one is.
    second_look : why the total is to be looked at again.
    message : why it failed or is degraded, and whether a new archive was begun, in one line.
    seconds : time it took.
    """

    settings: str
    basin: str = ""
    date: str = ""
    run_id: str = ""
    state: State = State.FAILED
    passing: bool = False
    revision: int | None = None
    path: str = ""
    unchanged: bool = False
    held_back: str = ""
    second_look: str = ""
    message: str = ""
    seconds: float = 0.0

    def plain(self) -> dict[str, Any]:
        """Return it as plain values."""
        return asdict(self) | {"state": str(self.state)}

    @classmethod
    def from_plain(cls, facts: dict[str, Any]) -> NightResult:
        """Return the result that plain values hold. Raises TypeError, KeyError or ValueError."""
        return cls(**facts | {"state": State(facts["state"])})


def is_passing(trouble: BaseException) -> bool:
    """Return whether trouble may be over at a second try.

    Such trouble comes from outside the program.

    >>> is_passing(OSError(errno.EIO, "input/output error")), is_passing(FileNotFoundError(errno.ENOENT, "no such file"))
    (True, False)
    >>> is_passing(ValueError("bad input"))
    False
    """
    cause: BaseException | None = trouble
    while cause is not None:
        if isinstance(cause, MemoryError) or (isinstance(cause, OSError) and cause.errno in PASSING):
            return True
        cause = cause.__cause__
    return isinstance(trouble, BusyError)


def run_night(job: Job, *, on_cluster: bool = False) -> NightResult:
    """Estimate and publish one basin's date here and now.

    Inputs that are still being written are waited for first. Never raises: a failure is the result, in one line.

    Parameters
    ----------
    on_cluster : whether this is a worker of the cluster of the settings: then it asks the others for nothing, as all may wait.
    """
    begun, basin = time.monotonic(), ""

    def result(**facts: Any) -> NightResult:  # noqa: ANN401  the fields of NightResult
        seconds = round(time.monotonic() - begun, 2)
        return NightResult(job.settings, basin, job.date, job.run_id, seconds=seconds, **facts)

    try:
        settings = read_settings(Path(job.settings))
        if on_cluster:
            settings = settings.model_copy(update={"dask": type(settings.dask)()})
        basin, day = settings.basin.id, dt.date.fromisoformat(job.date)
        log = JobLog(settings.archive_root, job.run_id)

        def stage(name: str) -> None:
            log.write("stage", basin=basin, date=job.date, stage=name, seconds=round(time.monotonic() - begun, 2))

        def waiting(paths: list[Path]) -> None:
            log.write("waiting", basin=basin, date=job.date, message="still arriving: " + ", ".join(map(str, paths)))

        stage("looking whether inputs are still arriving")
        arriving = wait_for_arrival(lambda: input_paths(settings, day), settings.operations.arrival, Clock(), waiting)
        with _ONE_AT_A_TIME:
            outcome = run.update(settings, day, stage, run.Run(job.command, job.reason, job.run_id, arriving))
    except Exception as trouble:  # noqa: BLE001  one basin's trouble, foreseen or not, is reported and hides no other's success
        return result(message=failure_line(trouble), passing=is_passing(trouble))
    published, new = outcome.published, [outcome.new_archive] if outcome.new_archive else []
    return result(
        state=State.DEGRADED if outcome.to_look_at else State.DONE,
        revision=published.revision,
        path=str(published.path),
        unchanged=published.unchanged,
        held_back=published.held_back,
        second_look=outcome.second_look,
        message="; ".join([*published.held_back_line, *outcome.to_look_at, *new]),
    )
