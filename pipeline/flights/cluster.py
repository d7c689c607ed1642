"""Several flights measured side by side by the workers of a dask.distributed cluster, with the bytes they would have here."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from concurrent.futures import CancelledError

import xarray as xr

from pipeline.flights.kept import code_identity
from pipeline.flights.limits import FlightLimits
from pipeline.flights.measure import FlightFiles, Surroundings, measure_flight
from pipeline.grid import BasinGrid
from pipeline.problems import Finding, RefusedFlightError

ANSWER_S = 10.0
"""A scheduler that does not answer within this is taken to be down, s (chosen: it answers in milliseconds)."""

Outcome = tuple[xr.Dataset, list[Finding]] | RefusedFlightError
"""What becomes of a flight: as `measure_flight` gives or refuses it."""


def measure_on_cluster(
    address: str, flights: Sequence[FlightFiles], grid: BasinGrid, limits: FlightLimits, known: Surroundings
) -> list[Outcome | None]:
    """Return each flight as `measure_flight` gives or refuses it, None for those that have to be measured here.

    A cluster that is down, or whose workers run other code or do not see the files, costs a night no flight: it is told in the
    log alone, since where a flight is measured is no part of what it shows.

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
            asked = [client.submit(_answer, files, grid, limits, known, pure=False) for files in flights]
            return [_given(future.exception() or future.result()) for future in asked]
    except (OSError, CancelledError) as trouble:
        LOG.warning("The dask scheduler at %s does not answer (%s): flights are measured here", address, trouble)
        return nothing


LOG = logging.getLogger(__name__)


def _answer(files: FlightFiles, grid: BasinGrid, limits: FlightLimits, known: Surroundings) -> tuple[str, Outcome]:
    """Return on a worker the identity of its code, and what it makes of a flight."""
    try:
        return code_identity(), measure_flight(files, grid, limits, known)
    except RefusedFlightError as refusal:
        return code_identity(), refusal


def _given(answer: BaseException | tuple[str, Outcome]) -> Outcome | None:
    if isinstance(answer, BaseException):
        LOG.warning("A worker could not measure a flight (%s): it is measured here", answer)
        return None
    code, outcome = answer
    if code != code_identity():
        LOG.warning("A worker runs other code or other versions of libraries: its flight is measured here")
        return None
    return outcome
