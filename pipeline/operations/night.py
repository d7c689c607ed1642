"""One basin's date from waiting for its inputs to telling people, in plain values that travel between processes."""

from __future__ import annotations

import datetime as dt
import errno
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.model.problems import BusyError
from pipeline.operations.joblog import JobLog
from pipeline.storage.failure_log import failure_line

if TYPE_CHECKING:
    from pipeline.settings.basin import Settings

PASSING = frozenset({
    errno.EIO, errno.ESTALE, errno.ETIMEDOUT, errno.EBUSY, errno.EAGAIN, errno.ENOSPC, errno.EDQUOT, errno.ENETDOWN,
    errno.ENETUNREACH, errno.ECONNRESET, errno.ECONNABORTED, errno.ECONNREFUSED, errno.EHOSTDOWN, errno.EHOSTUNREACH,
    errno.ENOTCONN, errno.EPIPE, errno.EINTR, errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EREMOTEIO, errno.ENOLCK,
})  # fmt: skip
"""Trouble of disks, networks and machines that may be over in a few minutes. A file that is not there or not ours is not."""


_ONE_AT_A_TIME = threading.Lock()
"""The libraries that write netCDF bear no second thread in their process: a cluster's workers may have several."""


@dataclass(frozen=True)
class NightResult:
    """What became of a basin's date.

    Parameters
    ----------
    settings : the settings file.
    basin, date : which night; empty where the settings could not be read.
    run_id : stands in the log and in every message.
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
    state: str = "failed"
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
        return asdict(self)


def is_passing(trouble: BaseException) -> bool:
    """Return whether trouble comes from outside the program and may be over at a second try.

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


NIGHTLY = ("update", "nightly update")
"""Command and reason of a night."""


def run_night(
    settings_file: str, date: str, run_id: str, why: tuple[str, str] = NIGHTLY, *, on_cluster: bool = False
) -> NightResult:
    """Estimate and publish one basin's date here and now, and write down what became of it.

    Inputs that are still being written are waited for first. Never raises: trouble is the result, in one line.

    Parameters
    ----------
    why : command and reason for the record.
    on_cluster : whether this is a worker of the cluster of the settings: then it asks the others for nothing, as all may wait.
    """
    from pipeline.operations import run  # noqa: PLC0415  the science is loaded where a night is run
    from pipeline.operations.arrival import Clock, input_paths, wait_for_arrival  # noqa: PLC0415
    from pipeline.settings.basin import read_settings  # noqa: PLC0415

    begun, basin = time.monotonic(), ""
    log: JobLog | None = None

    def stage(name: str) -> None:
        log.write("stage", basin=basin, date=date, stage=name, seconds=round(time.monotonic() - begun, 2))

    def result(**facts: Any) -> NightResult:  # noqa: ANN401  the fields of NightResult
        seconds = round(time.monotonic() - begun, 2)
        return NightResult(settings_file, basin=basin, date=date, run_id=run_id, seconds=seconds, **facts)

    try:
        settings = read_settings(Path(settings_file))
        if on_cluster:
            settings = _without_cluster(settings)
        basin, day = settings.basin.id, dt.date.fromisoformat(date)
        log = JobLog(settings.archive_root, run_id)

        def waiting(paths: list[Path]) -> None:
            log.write("waiting", basin=basin, date=date, message="still arriving: " + ", ".join(map(str, paths)))

        stage("looking whether inputs are still arriving")
        arriving = wait_for_arrival(lambda: input_paths(settings, day), settings.operations.arrival, Clock(), waiting)
        with _ONE_AT_A_TIME:
            outcome = run.update(settings, day, stage, run.Run(*why, run_id, arriving))
    except Exception as trouble:  # noqa: BLE001  one basin's trouble, foreseen or not, is told and hides no other's success
        return result(message=failure_line(trouble), passing=is_passing(trouble))
    why = outcome.to_look_at
    return result(
        state="degraded" if why else "done",
        revision=outcome.published.revision,
        path=str(outcome.published.path),
        unchanged=outcome.published.unchanged,
        held_back=outcome.published.held_back,
        second_look=outcome.second_look,
        message="; ".join(
            [*outcome.published.held_back_line, *why, *([outcome.new_archive] if outcome.new_archive else [])]
        ),
    )


def _without_cluster(settings: Settings) -> Settings:
    """Return the settings without their cluster; where the settings came from stays with them."""
    return settings.model_copy(update={"dask": type(settings.dask)()})
