"""The data walk one way: who may import whom, read from the code itself."""

import ast
from pathlib import Path

import pytest

PIPELINE = Path(__file__).parents[1] / "pipeline"
LEAVES = {
    "grid",
    "variables",
    "problems",
    "day",
    "ground",
    "season",
    "few_values",
    "raster_band",
    "raster_frame",
    "vector_file",
    "json_text",
}
ALLOWED = {
    "inputs": LEAVES - {"day"} | {"kept_files"},
    "measurements": LEAVES - {"day"},
    "flights": LEAVES - {"day"} | {"kept_files"},
    "methods": LEAVES - {"day"},
    "outputs": LEAVES | {"current", "reading", "records", "columns", "parquet", "places", "csv_text"},
}


def imported(path):
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: no relative imports"
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@pytest.mark.parametrize("layer", ALLOWED)
def test_layer_imports_only_what_it_may(layer):
    for path in (PIPELINE / layer).rglob("*.py"):
        for name in imported(path):
            parts = name.split(".")
            if parts[0] == "pipeline":
                assert parts[1] in ALLOWED[layer] | {layer}, f"{path.name} imports {name}"


def test_prefect_stays_in_flows_and_engines_in_their_modules():
    homes = {"prefect": set(), "pykrige": {"kriging.py"}}
    for path in PIPELINE.rglob("*.py"):
        for name in imported(path):
            home = homes.get(name.split(".")[0])
            assert home is None or path.name in home, f"{path.name} imports {name}"


FLOWS = PIPELINE.parent / "flows"


def test_flows_wire_and_do_not_compute():
    may = {"run", "run_id", "past", "settings", "problems", "operations", "operations_settings", "stopping"}
    for path in FLOWS.rglob("*.py"):
        for name in imported(path):
            parts = name.split(".")
            assert parts[0] != "pipeline" or set(parts[1:2]) <= may, f"{path.name} imports {name}"


def test_nothing_but_the_command_line_looks_into_the_flows():
    for path in PIPELINE.rglob("*.py"):
        for name in imported(path):
            assert not name.startswith("flows") or path.name == "cli_schedule.py", f"{path.name} imports {name}"
