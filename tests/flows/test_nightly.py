"""The flows on the embedded server: quiet, offline, tried again where that may help, and no basin hides another."""

import os
import socket
import subprocess
import sys
import time

import pytest

from snowtally.flows.quiet import ENVIRONMENT, set_environment

set_environment()

from prefect import flow, get_client  # noqa: E402
from prefect.client.schemas.filters import (  # noqa: E402
    ArtifactFilter,
    ArtifactFilterKey,
    FlowRunFilter,
    FlowRunFilterId,
    LogFilter,
    LogFilterFlowRunId,
)
from prefect.states import Running  # noqa: E402
from prefect.testing.utilities import prefect_test_harness  # noqa: E402

from snowtally.flows import tasks  # noqa: E402
from snowtally.flows.nightly import nightly  # noqa: E402
from snowtally.operations.night import NightResult  # noqa: E402
from snowtally.operations.notes import noted  # noqa: E402

NOW = "2031-03-06T07:30:00+00:00"


@pytest.fixture(scope="module", autouse=True)
def embedded():
    with prefect_test_harness(server_startup_timeout=120):
        yield


@pytest.fixture
def basins(tmp_path, monkeypatch):
    """Four basins' settings; what becomes of a night is by the basin's name, and how often it was tried is counted."""
    for name in ("zones.geojson", "elevation.tif", "sites.csv"):
        (tmp_path / name).touch()
    text = (
        "basin: {{id: {name}, title: T, zones: zones.geojson, utc_offset_hours: -2}}\ngrid: {{crs: 'EPSG:32625'}}\n"
        "terrain: {{elevation: elevation.tif}}\ninputs: {{sites: sites.csv}}\narchive: archive\n"
        "operations: {{schedule: {{watch_days: 0}}, retry: {{times: 2, first_wait_s: 0}}}}\n"
    )
    for name in ("sound", "broken", "shaky", "last"):
        (tmp_path / f"{name}.yaml").write_text(text.format(name=name))
    (tmp_path / "wrong.yaml").write_text(text.format(name="wrong") + "bandz: {}\n")
    tries = []

    def run_apart(job, _limit_s):
        name = os.path.basename(job.settings)[:-5]  # noqa: PTH119  a name, no path
        tries.append(name)
        if name == "broken":
            raise ZeroDivisionError("nobody foresaw this")
        if name == "shaky" and tries.count("shaky") < 3:
            return NightResult(job.settings, name, job.date, job.run_id, passing=True, message="Input/output error")
        return NightResult(job.settings, name, job.date, job.run_id, state="done", revision=1)

    monkeypatch.setattr("snowtally.operations.nights.run_apart", run_apart)
    return lambda *names: [str(tmp_path / f"{name}.yaml") for name in names], tries


def recorded(client, flow_run, count):
    """Return a flow's task runs once all have ended: Prefect's server records them beside the flow, on a busy machine after it."""
    of_flow, until = FlowRunFilter(id=FlowRunFilterId(any_=[flow_run])), time.monotonic() + 60
    while time.monotonic() < until:
        runs = client.read_task_runs(flow_run_filter=of_flow)
        if len(runs) >= count and all(run.state is not None and run.state.is_final() for run in runs):
            return runs
        time.sleep(0.2)
    raise AssertionError("Prefect has not recorded the task runs in a minute")


def test_one_failure_hides_no_success_and_passing_trouble_is_tried_again(basins, capfd):
    files, tries = basins
    state = nightly(files("sound", "wrong", "broken", "shaky", "last"), NOW, return_state=True)
    results = tasks.results_of(state)
    assert [result["state"] for result in results] == ["done", "failed", "failed", "done", "done"]
    assert state.is_failed()
    assert "unknown key bandz" in results[1]["message"]
    assert "nobody foresaw this" in results[2]["message"]
    assert [tries.count(name) for name in ("sound", "broken", "shaky")] == [1, 1, 3]
    assert {result["date"] for result in results if result["date"]} == {"2031-03-05"}
    assert "Traceback" not in "".join(capfd.readouterr())
    with get_client(sync_client=True) as client:
        flow_run = state.state_details.flow_run_id
        runs = recorded(client, flow_run, 4)
        told = client.read_logs(LogFilter(flow_run_id=LogFilterFlowRunId(any_=[flow_run])), limit=200)
    # The settings that cannot be used came to no task.
    assert sorted((run.name.split()[0], run.state.type.value) for run in runs) == [
        ("broken", "FAILED"), ("last", "COMPLETED"), ("shaky", "COMPLETED"), ("sound", "COMPLETED"),
    ]  # fmt: skip
    broken = next(run for run in runs if run.name.startswith("broken"))
    assert "nobody foresaw this" in broken.state.message
    assert "\n" not in broken.state.message
    assert not [line.message for line in told if "Traceback" in line.message]


def test_all_sound_basins_complete_and_the_summary_is_kept(basins):
    files, _ = basins
    state = nightly(files("sound", "last"), NOW, "the-id", return_state=True)
    assert state.is_completed()
    assert [(result["basin"], result["run_id"]) for result in state.result()] == [
        ("sound", "the-id"),
        ("last", "the-id"),
    ]
    with get_client(sync_client=True) as client:
        kept = client.read_artifacts(artifact_filter=ArtifactFilter(key=ArtifactFilterKey(any_=["nightly-summary"])))
    assert any("| last | 2031-03-05 | done | r001 |" in artifact.data for artifact in kept)


def test_the_engine_learns_of_a_killed_run(basins, tmp_path, monkeypatch):
    files, _ = basins

    @flow
    def killed():
        return None

    with get_client(sync_client=True) as client:
        run = client.create_flow_run(killed, state=Running())
        monkeypatch.setattr("snowtally.operations.notes.lives", lambda _process: False)
        with noted(tmp_path / "archive", "dead", {"basin": "sound", "date": "2031-03-04", "flow_run_id": str(run.id)}):
            tasks.mark_crashed(files("sound", "wrong"))
        assert client.read_flow_run(run.id).state.is_crashed()


def test_surroundings_are_offline_and_a_server_that_is_none_is_left_out(monkeypatch, tmp_path):
    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert ENVIRONMENT["DO_NOT_TRACK"] == "1"
    monkeypatch.delenv("PREFECT_HOME", raising=False)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        for address in ("", f"http://127.0.0.1:{free.getsockname()[1]}/api"):
            monkeypatch.setenv("PREFECT_API_URL", address)
            set_environment(tmp_path / "home" / "prefect")
            assert "PREFECT_API_URL" not in os.environ
    assert (tmp_path / "home" / "prefect").is_dir()
    assert os.environ["PREFECT_HOME"] == str(tmp_path / "home" / "prefect")


@pytest.mark.long
def test_the_schedule_does_not_hold_the_engine_in_memory():
    code = "import sys, snowtally.flows.schedule; sys.exit('prefect' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
