"""The data walk one way: who may import whom, read from the code itself."""

import ast
import tomllib
from itertools import pairwise

import pytest
from layers import FOLDERS, PIPELINE, ROOT, imported, modules

FLOWS = PIPELINE.parent / "flows"


def test_every_folder_has_its_row():
    folders = {path.relative_to(PIPELINE).parts[0].removesuffix(".py") for path in modules(PIPELINE)}
    assert folders == set(FOLDERS)


def test_no_folder_may_import_a_folder_above_it():
    order = list(FOLDERS)
    for upper, lower in ((folder, below) for folder, row in FOLDERS.items() for below in row.imports):
        assert order.index(lower) < order.index(upper), f"{upper} may import {lower}, which stands above it"
    assert all(first != second for first, second in pairwise(order))


@pytest.mark.parametrize("folder", FOLDERS)
def test_a_folder_imports_only_what_it_may(folder):
    home = PIPELINE / folder
    used = set()
    for path in modules(home) if home.is_dir() else [home.with_suffix(".py")]:
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "snowtally" and parts[1] not in {folder, "flows"}:
                assert parts[1] in FOLDERS[folder].imports, f"{path.name} imports {name}"
                used.add(parts[1])
    assert used == FOLDERS[folder].imports, "a folder that nobody imports any more leaves the row"


def test_prefect_stays_in_flows_and_engines_in_their_modules():
    homes = {"prefect": set(), "pykrige": {"pykrige_engine.py"}}
    for path in modules(PIPELINE):
        for name in imported(path):
            home = homes.get(name.split(".")[0])
            assert home is None or path.name in home, f"{path.name} imports {name}"


def test_flows_wire_and_do_not_compute():
    for path in modules(FLOWS):
        for name in imported(path):
            parts = name.split(".")
            assert parts[0] != "snowtally" or parts[1] in {"flows", "operations", "settings", "model"}, (
                f"{path.name} imports {name}"
            )


def test_nothing_but_the_command_line_looks_into_the_flows():
    for path in modules(PIPELINE):
        for name in imported(path):
            assert not name.startswith("snowtally.flows") or path == PIPELINE / "cli" / "schedule.py", (
                f"{path.name} imports {name}"
            )


def test_every_folder_is_installed_under_the_one_import_name():
    found = {f"snowtally.{path.parent.relative_to(PIPELINE)}".replace("/", ".") for path in PIPELINE.rglob("*/*.py")}
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["setuptools"]["packages"]
    assert set(listed) == found | {"snowtally", "snowtally.flows"}


def test_nothing_imports_the_folders_by_their_own_names():
    for path in (path for top in ("pipeline", "flows", "tests", "docs") for path in (ROOT / top).rglob("*.py")):
        assert not {name.split(".")[0] for name in imported(path)} & {"pipeline", "flows"}, path


def test_no_import_is_relative():
    for path in [*modules(PIPELINE), *modules(FLOWS)]:
        nodes = ast.walk(ast.parse(path.read_text("utf-8")))
        assert not any(isinstance(node, ast.ImportFrom) and node.level for node in nodes), path
