"""The nightly flow on the embedded API: quiet, offline, and no basin hides another."""

import os

import pytest

from flows.quiet import SURROUNDINGS, surround

surround()

from prefect.testing.utilities import prefect_test_harness  # noqa: E402

from flows.nightly import nightly  # noqa: E402
from pipeline import run  # noqa: E402
from pipeline.outputs.archive import Published  # noqa: E402


class Readings:
    degraded = ()


@pytest.fixture(scope="module", autouse=True)
def embedded():
    with prefect_test_harness(server_startup_timeout=120):
        yield


@pytest.fixture
def settings_files(tmp_path, monkeypatch):
    """Three basins: one sound, one whose settings are wrong, one whose night breaks in a way nobody foresaw."""
    for name in ("zones.geojson", "elevation.tif", "sites.csv"):
        (tmp_path / name).touch()
    text = (
        "basin: {{id: {name}, title: T, zones: zones.geojson, utc_offset_hours: -2}}\ngrid: {{crs: 'EPSG:32625'}}\n"
        "terrain: {{elevation: elevation.tif}}\ninputs: {{sites: sites.csv}}\narchive: archive\n"
    )
    for name in ("sound", "broken", "last"):
        (tmp_path / f"{name}.yaml").write_text(text.format(name=name))
    (tmp_path / "wrong.yaml").write_text(text.format(name="wrong") + "bandz: {}\n")

    def update(settings, date, stage):
        stage("estimating")
        if settings.basin.id == "broken":
            raise ZeroDivisionError("nobody foresaw this")
        return run.Outcome(Published(tmp_path / settings.basin.id / str(date), 1), None, Readings())

    monkeypatch.setattr(run, "update", update)
    return [str(tmp_path / f"{name}.yaml") for name in ("sound", "wrong", "broken", "last")]


def test_one_failure_hides_no_success(settings_files, capfd):
    state = nightly(settings_files, "2031-03-01", return_state=True)
    results = state.result(raise_on_failure=False)
    assert [result["state"] for result in results] == ["done", "failed", "failed", "done"]
    assert state.is_failed()
    assert "unknown key bandz" in results[1]["message"]
    assert "nobody foresaw this" in results[2]["message"]
    assert "Traceback" not in "".join(capfd.readouterr())


def test_all_sound_basins_complete(settings_files):
    state = nightly([settings_files[0], settings_files[3]], "2031-03-01", return_state=True)
    assert state.is_completed()
    assert [result["basin"] for result in state.result()] == ["sound", "last"]


def test_surroundings_are_offline_and_an_empty_address_is_none(monkeypatch):
    assert os.environ["PREFECT_SERVER_ANALYTICS_ENABLED"] == "false"
    assert SURROUNDINGS["DO_NOT_TRACK"] == "1"
    monkeypatch.setenv("PREFECT_API_URL", "")
    surround()
    assert "PREFECT_API_URL" not in os.environ
