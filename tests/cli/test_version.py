"""Versions and completion: what a person types when asked which program this is."""

import json
import os
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pyproj
import pytest
import rasterio
from made_basin import snowtally


def test_the_version_names_the_program_and_what_it_reads_files_with():
    done = snowtally("--version")
    assert done.returncode == 0
    assert done.stdout.startswith(f"snowtally {version('snowtally')}")
    for part in (
        f"Python {sys.version.split()[0]}",
        f"GDAL {rasterio.__gdal_version__}",
        f"PROJ {pyproj.proj_version_str}",
    ):
        assert part in done.stdout
    assert done.stdout.count("\n") == 1


@pytest.mark.parametrize("words", [("--version", "--json"), ("--json", "--version")])
def test_the_version_for_machines(words):
    told = json.loads(snowtally(*words).stdout)
    assert told["gdal"] == rasterio.__gdal_version__
    assert set(told) == {"snowtally", "commit", "python", "gdal", "proj"}
    assert told["commit"] is None or len(told["commit"]) == 12


def test_json_before_a_command_is_wrong_use():
    done = snowtally("--json", "status", "x.yaml")
    assert done.returncode == 2
    assert "--json stands behind the command's name" in done.stderr


SHELL = """
eval "$(snowtally --show-completion bash)"
complete_with() { COMP_WORDS=("$@"); COMP_CWORD=$(($# - 1)); _snowtally_completion snowtally; echo "${COMPREPLY[*]}"; }
complete -p snowtally
complete_with snowtally upd
complete_with snowtally check --da
"""


def test_bash_completes_commands_and_options(tmp_path):
    script = tmp_path / "snowtally"
    script.write_text(f"#!{sys.executable}\nfrom snowtally.cli.main import main\nmain()\n")
    script.chmod(0o755)
    root = str(Path(__file__).parents[2])
    env = os.environ | {"PATH": f"{tmp_path}:{os.environ['PATH']}", "PYTHONPATH": root, "HOME": str(tmp_path)}
    done = subprocess.run(["bash", "--norc", "-c", SHELL], env=env, capture_output=True, text=True, check=False)  # noqa: S607
    assert done.stdout.splitlines() == [
        "complete -o default -F _snowtally_completion snowtally",
        "update",
        "--date",
    ], done.stderr
