"""Several flights measured side by side by the workers of a dask.distributed cluster, with the bytes they would have here."""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from snowtally.flights.cache import FLIGHT_MAKER
from snowtally.flights.limits import FlightLimits
from snowtally.flights.measure import FlightFiles, GroundLayers, Outcome, measure_flight
from snowtally.model.grid import BasinGrid
from snowtally.model.problems import RefusedFlightError

ANSWER_S = 10.0
"""A scheduler that does not answer within this is taken to be down, s (chosen: it answers in milliseconds)."""

FREE_S = 30.0
"""A cluster of which no worker answers within this is busy with others, s: one that was just started loads the program first."""

MEASURED_S = 300.0
"""What the cluster has not measured after this is measured here, s: a large flight takes a worker a minute."""


def measure_on_cluster(
    address: str, flights: Sequence[FlightFiles], grid: BasinGrid, limits: FlightLimits, known: GroundLayers
) -> list[Outcome | None]:
    """Return each flight's outcome, None for those that have to be measured here.

    A cluster that is down or busy with others, or whose workers run other code or do not see the files, costs a night no flight: it
    is reported in the log alone, since where a flight is measured is no part of what it shows.

    Parameters
    ----------
    address : the scheduler's, such as tcp://host:8786.
    """
    nothing: list[Outcome | None] = [None] * len(flights)
    try:
        from distributed import Client  # noqa: PLC0415  heavy, and needed only where there is a cluster
    except ImportError:
        LOG.warning("dask.address is set, but the package 'distributed' is not installed: flights are measured here")
        return nothing
    try:
        with Client(address, timeout=ANSWER_S, set_as_default=False) as client:
            # A worker that is free answers at once, before it is sent a grid.
            if client.submit(FLIGHT_MAKER.identity, pure=False).result(timeout=FREE_S) != FLIGHT_MAKER.identity():
                LOG.warning("%s", OTHER_CODE)
                return nothing
            asked = [client.submit(_answer, files, grid, limits, known, pure=False) for files in flights]
            patience = time.monotonic() + MEASURED_S
            return [_answered(future, patience) for future in asked]
    except Exception as trouble:  # noqa: BLE001  whatever a cluster cannot do is done here
        why = "has no free worker" if isinstance(trouble, TimeoutError) else f"does not answer ({trouble})"
        LOG.warning("The dask scheduler at %s %s: flights are measured here", address, why)
        return nothing


LOG = logging.getLogger(__name__)

OTHER_CODE = "A worker runs other code or other versions of libraries: its flight is measured here"


def _answered(future: Any, patience: float) -> Outcome | None:  # noqa: ANN401  the cluster's own kind
    """Return what a worker made of a flight, None if it failed.

    It fails too where it has not answered by the monotonic clock's time `patience`.
    """
    try:
        return _given(future.exception(timeout=max(0.1, patience - time.monotonic())) or future.result())
    except TimeoutError:
        future.cancel()
        LOG.warning("The cluster has not measured a flight within %g s: it is measured here", MEASURED_S)
        return None


@dataclass(frozen=True)
class Answer:
    """A worker's identity of the flights' maker, and what it made of a flight."""

    identity: str
    outcome: Outcome


def _answer(files: FlightFiles, grid: BasinGrid, limits: FlightLimits, known: GroundLayers) -> Answer:
    """Return on a worker what it makes of a flight."""
    try:
        return Answer(FLIGHT_MAKER.identity(), measure_flight(files, grid, limits, known))
    except RefusedFlightError as refusal:
        return Answer(FLIGHT_MAKER.identity(), refusal)


def _given(answer: BaseException | Answer) -> Outcome | None:
    if isinstance(answer, BaseException):
        LOG.warning("A worker could not measure a flight (%s): it is measured here", answer)
        return None
    if answer.identity != FLIGHT_MAKER.identity():
        LOG.warning("%s", OTHER_CODE)
        return None
    return answer.outcome
