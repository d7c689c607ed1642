"""Compiled code has a folder for every user, with and without a home."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from snowtally.storage import compiled
from snowtally.storage.compiled import VARIABLE, cache_compiled_code


@pytest.fixture
def homeless(monkeypatch):
    """A user who may write neither into the program nor into a home."""
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr(compiled, "_passing", {})
    monkeypatch.setattr(compiled, "__file__", "/dev/null/program/storage/compiled.py")
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv("HOME", "/dev/null/nobody")
    yield
    os.environ.pop(VARIABLE, None)


def test_who_may_write_somewhere_keeps_the_compiler_s_own_folder(monkeypatch, tmp_path):
    monkeypatch.delenv(VARIABLE, raising=False)
    cache_compiled_code(tmp_path / "compiled")
    assert VARIABLE not in os.environ


@pytest.mark.usefixtures("homeless")
def test_without_a_home_code_lies_beside_the_archive(tmp_path):
    cache_compiled_code()
    passing = Path(os.environ[VARIABLE])
    assert passing.is_dir()
    # An archive that has no caches yet may be the wrong one: nothing is put there.
    cache_compiled_code(tmp_path / "other" / "compiled")
    assert os.environ[VARIABLE] == str(passing)
    (tmp_path / ".cache").mkdir()
    cache_compiled_code(tmp_path / ".cache" / "compiled")
    assert os.environ[VARIABLE] == str(tmp_path / ".cache" / "compiled")


@pytest.mark.usefixtures("homeless")
def test_code_that_another_may_have_written_is_not_run(tmp_path):
    (tmp_path / ".cache" / "compiled").mkdir(parents=True)
    (tmp_path / ".cache" / "compiled").chmod(0o777)
    cache_compiled_code(tmp_path / ".cache" / "compiled")
    assert not os.environ[VARIABLE].startswith(str(tmp_path))


@pytest.mark.usefixtures("homeless")
def test_a_home_behind_a_closed_door_is_none(monkeypatch, tmp_path):
    def closed(path):
        raise PermissionError(13, "Permission denied", str(path))

    monkeypatch.setattr(Path, "exists", closed)
    cache_compiled_code(tmp_path / "compiled")
    assert os.environ[VARIABLE] == str(tmp_path / "compiled")


@pytest.mark.usefixtures("homeless")
def test_whoever_names_a_folder_decides(monkeypatch, tmp_path):
    monkeypatch.setenv(VARIABLE, str(tmp_path))
    cache_compiled_code(tmp_path / "compiled")
    assert os.environ[VARIABLE] == str(tmp_path)


def test_the_passing_folder_ends_with_its_process():
    words = """
import os
from snowtally.storage import compiled
compiled.__file__ = "/dev/null/program/storage/compiled.py"
compiled.cache_compiled_code()
print(os.environ[compiled.VARIABLE], os.path.isdir(os.environ[compiled.VARIABLE]))
"""
    environment = {name: value for name, value in os.environ.items() if name not in {VARIABLE, "XDG_CACHE_HOME"}}
    done = subprocess.run(
        [sys.executable, "-c", words],
        env=environment | {"HOME": "/dev/null/nobody"},
        capture_output=True,
        text=True,
        check=True,
    )
    folder, was_there = done.stdout.split()
    assert was_there == "True"
    assert not Path(folder).exists()
