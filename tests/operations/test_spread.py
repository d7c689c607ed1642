"""Dates run anywhere give the same bytes, and a killed worker costs no other date."""

import datetime as dt
import hashlib
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from snowtally.model.problems import SettingsError
from snowtally.operations import spread
from snowtally.operations.child_process import run_apart
from snowtally.operations.night import Job, NightResult
from snowtally.operations.spread import backfill_jobs, run_dates
from snowtally.settings.basin import read_settings
from snowtally.settings.operations import Workers

DATES = [dt.date(2031, 3, day) for day in (3, 4)]


def bytes_of(home, name, dates=DATES):
    """Return a hash of all that was published, but for the times of its making."""
    files = [path for date in dates for path in sorted((home / name / "made" / str(date) / "r001").iterdir())]
    assert len(files) > 10 * len(dates)
    whole = [path.name.encode() + path.read_bytes() for path in files if path.name not in ("record.json", "item.json")]
    return hashlib.sha256(b"".join(whole)).hexdigest()


def on_workers(settings, workers):
    return list(run_dates(settings, backfill_jobs(settings, DATES), workers))


@pytest.fixture
def run_with(home):
    def run(workers, name, more=""):
        file = home / f"{name}.yaml"
        file.write_text((home / "basin.yaml").read_text().replace("archive: archive", f"archive: {name}") + more)
        results = on_workers(read_settings(file), workers)
        assert [(one.date, one.state) for one in results] == [(str(date), "done") for date in DATES], results
        return bytes_of(home, name)

    return run


@pytest.mark.long
def test_processes_give_the_same_bytes(run_with):
    assert run_with(Workers(engine="processes", count=2), "processes") == run_with(Workers(), "serial")


@pytest.mark.long
def test_a_cluster_gives_the_same_bytes(run_with):
    distributed = pytest.importorskip("distributed")
    serial = run_with(Workers(), "serial")
    cluster = distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None, host="127.0.0.1"
    )
    with cluster:
        assert run_with(Workers(engine="dask"), "dask", f"dask: {{address: '{cluster.scheduler_address}'}}\n") == serial


def test_a_cluster_that_is_not_there_is_one_line(home, settings, monkeypatch):
    pytest.importorskip("distributed")
    with pytest.raises(SettingsError, match=r"engine dask needs dask\.address"):
        on_workers(settings, Workers(engine="dask"))
    with (home / "basin.yaml").open("a") as file:
        file.write("dask: {address: 'tcp://127.0.0.1:9'}\n")
    settings = read_settings(home / "basin.yaml")
    monkeypatch.setattr(spread, "CONNECT_S", "0.2s")
    with pytest.raises(SettingsError, match=r"no dask scheduler answers at tcp://127\.0\.0\.1:9"):
        on_workers(settings, Workers(engine="dask"))


def apart(job, _limit_s):
    return NightResult(job.settings, "made", job.date, job.run_id, state="degraded")


def killed_on_the_third(job):
    if job.date.endswith("03"):
        os.kill(os.getpid(), signal.SIGKILL)
    return NightResult(job.settings, "made", job.date, job.run_id, state="done")


def test_a_killed_process_costs_no_other_date(settings, monkeypatch):
    monkeypatch.setattr(spread, "run_night", killed_on_the_third)
    monkeypatch.setattr(spread, "run_apart", apart)
    results = on_workers(settings, Workers(engine="processes", count=1))
    # Those that the broken pool had not finished were run apart.
    assert {one.state for one in results} <= {"done", "degraded"}
    assert results[0].state == "degraded"


def timed_out_on_the_third(job):
    if job.date.endswith("03"):
        raise TimeoutError("a disk did not answer")
    return NightResult(job.settings, "made", job.date, job.run_id, state="done")


def test_a_date_that_times_out_by_itself_ends_no_worker(settings, monkeypatch):
    monkeypatch.setattr(spread, "run_night", timed_out_on_the_third)
    monkeypatch.setattr(spread, "run_apart", apart)
    monkeypatch.setattr(multiprocessing, "active_children", lambda: pytest.fail("a worker was looked for to be ended"))
    results = on_workers(settings, Workers(engine="processes", count=1))
    assert [one.state for one in results] == ["degraded", "done"]


def hanging_on_the_third(job):
    if job.date.endswith("03"):
        time.sleep(600)
    return NightResult(job.settings, "made", job.date, job.run_id, state="done")


@pytest.mark.long
def test_a_process_that_hangs_is_ended_and_costs_no_other_date(settings, monkeypatch):
    monkeypatch.setattr(spread, "run_night", hanging_on_the_third)
    monkeypatch.setattr(spread, "run_apart", apart)
    limits = settings.operations.limits.model_copy(update={"night_s": 5.0})
    arrival = settings.operations.arrival.model_copy(update={"wait_s": 0.0})
    operations = settings.operations.model_copy(update={"limits": limits, "arrival": arrival})
    begun = time.monotonic()
    results = on_workers(settings.model_copy(update={"operations": operations}), Workers(engine="processes", count=1))
    assert [one.state for one in results] == ["degraded", "degraded"]
    assert time.monotonic() - begun < 300


def noted_and_slow(job):
    with (Path(job.settings).parent / "begun").open("a") as file:
        file.write(f"{job.date}\n")
    time.sleep(0.1)
    return NightResult(job.settings, "made", job.date, job.run_id, state="done")


@pytest.mark.long
def test_dates_that_have_not_begun_are_left_when_lasting_workers_are_stopped(settings, monkeypatch):
    monkeypatch.setattr(spread, "run_night", noted_and_slow)
    dates = [dt.date(2031, 3, day) for day in range(3, 28)]
    results = run_dates(settings, backfill_jobs(settings, dates), Workers(engine="processes", count=1))
    assert next(results).state == "done"
    begun = settings.file.parent / "begun"
    results.close()
    assert len(begun.read_text().split()) < len(dates)


def test_a_night_beyond_its_limit_is_stopped_and_told(home):
    begun = time.monotonic()
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-03", "id"), 0.05)
    assert (result.state, result.passing) == ("failed", False)
    assert result.message.startswith("the night took more than 0.05 s, its waiting for inputs and other runs included")
    assert time.monotonic() - begun < 10


def test_a_night_that_dies_is_told_and_may_be_tried_again(home, monkeypatch):
    monkeypatch.setattr("snowtally.operations.child_process._CODE", "import os; os.kill(os.getpid(), 9)")
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-03", "id"), 60)
    assert result.passing
    assert result.message.startswith("the night was killed from outside, most often for want of memory")
    monkeypatch.setattr("snowtally.operations.child_process._CODE", "raise ImportError('no such library')")
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-03", "id"), 60)
    assert (result.passing, result.message) == (False, "the night ended with status 1: ImportError: no such library")


def test_a_result_told_whole_counts_whatever_its_process_died_of(home, monkeypatch):
    said = json.dumps(NightResult("basin.yaml", "made", "2031-03-03", "id", state="done", revision=1).plain())
    code = f"import os, sys; sys.stdout.write({said + chr(10)!r}); sys.stdout.flush(); os.abort()"
    monkeypatch.setattr("snowtally.operations.child_process._CODE", code)
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-03", "id"), 60)
    assert (result.state, result.revision) == ("done", 1)
    # Half a line, or a line that is no result, is none.
    for cut in (said[:-9], f"{said[:-9]}\n", "[]\n", said):
        monkeypatch.setattr("snowtally.operations.child_process._CODE", code.replace(repr(said + chr(10)), repr(cut)))
        result = run_apart(Job(str(home / "basin.yaml"), "2031-03-03", "id"), 60)
        assert (result.state, result.message) == ("failed", "the night was ended by SIGABRT")


@pytest.mark.long
def test_a_night_apart_publishes_under_the_runs_name(home):
    result = run_apart(Job(str(home / "basin.yaml"), "2031-03-03", "the-id"), 300)
    assert (result.state, result.revision, result.run_id) == ("done", 1, "the-id")
    lines = [json.loads(line) for line in (home / "archive" / ".operations" / "log.jsonl").read_text().splitlines()]
    assert {line["run_id"] for line in lines} == {"the-id"}
    assert [line["stage"] for line in lines][-1] == "making the page"


def test_a_nights_process_ends_without_tidying_up():
    code = (
        "import atexit, os, sys; from snowtally.operations import child_process, night\n"
        "atexit.register(os.abort)\n"
        "child_process.run_night = lambda job: night.NightResult(job.settings, state=night.State.DONE)\n"
        'sys.argv[1:] = [\'{"settings": "x", "date": "2031-03-03", "run_id": "id"}\']; child_process.child()'
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert json.loads(done.stdout)["state"] == "done"
