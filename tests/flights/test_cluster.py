"""Several flights measured side by side by the processes of a dask.distributed cluster: the same bytes as one by one."""

import datetime as dt
import threading
import time

import numpy as np
import pytest
from affine import Affine
from flown import GRID, LEFT, TOP, write

from snowtally.flights import cluster as on_cluster
from snowtally.flights.limits import FlightLimits
from snowtally.flights.measure import NO_LAYERS, FlightFiles, measure_flight

distributed = pytest.importorskip(
    "distributed", reason="PyPI distributed is not installed, which several machines need"
)


OVER = threading.Event()


def others_work(*_words):
    """Be at work until it is over: the cluster's worker is a thread of this process."""
    assert OVER.wait(60)


@pytest.fixture
def flights(tmp_path):
    rng = np.random.default_rng(8)
    made = []
    for number in range(3):
        values = rng.normal(1.0 + number, 0.3, (300, 400))
        values[rng.random(values.shape) < 0.1] = np.nan
        place = Affine(2.3, 0, LEFT - 31.1 - number, 0, -2.3, TOP + 17.9)
        path = write(tmp_path / f"{number}.tif", values, transform=place)
        made.append(FlightFiles(f"F{number}", dt.date(2031, 3, 1 + number), depth=(path,)))
    return made


@pytest.mark.long
def test_flights_side_by_side_give_the_same_bytes(flights):
    alone = [measure_flight(files, GRID, FlightLimits()) for files in flights]
    with (
        distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None, silence_logs=40) as cluster,
        distributed.Client(cluster) as client,
    ):
        together = client.gather(client.map(measure_flight, flights, grid=GRID, limits=FlightLimits()))
        workers = len(client.scheduler_info()["workers"])
    assert workers == 2
    for (one, one_findings), (other, other_findings) in zip(alone, together, strict=True):
        assert one_findings == other_findings
        assert one.attrs == other.attrs
        for name in one.data_vars:
            assert one[name].to_numpy().tobytes() == other[name].to_numpy().tobytes()


def test_a_cluster_that_is_busy_with_others_costs_no_flight_and_little_time(flights, monkeypatch):
    monkeypatch.setattr(on_cluster, "FREE_S", 0.5)
    with (
        distributed.LocalCluster(
            n_workers=1,
            threads_per_worker=1,
            processes=False,
            protocol="tcp://",
            dashboard_address=None,
            host="127.0.0.1",
            silence_logs=40,
        ) as cluster,
        distributed.Client(cluster, set_as_default=False) as others,
    ):
        busy = others.submit(others_work, pure=False)
        begun = time.monotonic()
        given = on_cluster.measure_on_cluster(cluster.scheduler_address, flights, GRID, FlightLimits(), NO_LAYERS)
        assert given == [None] * len(flights)
        assert time.monotonic() - begun < 3.5
        OVER.set()
        busy.result()
        OVER.clear()
        # A worker that is free but never ends a flight is left too.
        monkeypatch.setattr(on_cluster, "FREE_S", 30.0)
        monkeypatch.setattr(on_cluster, "MEASURED_S", 0.5)
        monkeypatch.setattr(on_cluster, "_answer", others_work)
        given = on_cluster.measure_on_cluster(cluster.scheduler_address, flights, GRID, FlightLimits(), NO_LAYERS)
        assert given == [None] * len(flights)
        OVER.set()
