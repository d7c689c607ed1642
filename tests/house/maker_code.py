"""The code of each cache maker: its functions and everything of the program that they use, as one hash.

`python tests/house/maker_code.py` renews the pins in maker_pins.json.
"""

from __future__ import annotations

import ast
import functools
import hashlib
import importlib
import json
from collections.abc import Iterator
from pathlib import Path

from snowtally.storage.cache import Maker

ROOT = Path(__file__).resolve().parents[2]
PINS = Path(__file__).with_name("maker_pins.json")

ENTRIES = {
    "flights.cache.FLIGHT_MAKER": ("flights.measure.measure_flight", "flights.cache.OUTCOME"),
    "flights.cache.FILE_HASH_MAKER": ("flights.cache._sha256", "storage.encodings.TEXT"),
    "gather.basin.TERRAIN_MAKER": ("inputs.read_terrain.read_terrain", "gather.basin.TERRAIN"),
    "gather.sources.FRACTION_MAKER": ("inputs.rasters.fraction_on_grid", "storage.encodings.ARRAYS"),
    "gather.earlier_visits.VISITS_MAKER": ("gather.earlier_visits._season", "storage.encodings.FRAME"),
    "inputs.piece_cache.PIECE_MAKER": (
        "inputs.lines.split",
        "inputs.converting.converted",
        "inputs.wide.converted_wide",
        "inputs.piece_cache.PIECE",
    ),
    "inputs.piece_cache.LAST_MAKER": ("inputs.station_rows.last_of", "inputs.piece_cache.PIECE"),
    "terrain.landform_cache.LANDFORM_MAKER": ("terrain.predictors.landform_of", "storage.encodings.ARRAYS"),
}
"""By maker, the functions that make its values, and the encoding that writes them."""

IN_KEYS = "snowtally.settings."
"""Modules whose values are parts of keys: their code makes nothing that is cached."""


def maker(name: str) -> Maker:
    """Return the maker of a dotted name under snowtally."""
    module, _, constant = name.rpartition(".")
    return getattr(importlib.import_module(f"snowtally.{module}"), constant)


def makers_in_code() -> Iterator[str]:
    """Yield the dotted names of the makers that the program's modules define."""
    for path in sorted((ROOT / "pipeline").rglob("*.py")):
        for statement in ast.parse(path.read_text("utf-8")).body:
            if isinstance(statement, ast.Assign) and ast.unparse(statement.value).startswith("Maker("):
                module = ".".join(path.relative_to(ROOT / "pipeline").with_suffix("").parts)
                yield f"{module}.{ast.unparse(statement.targets[0])}"


def file_of(name: str) -> Path:
    """Return the file of a module of the program by its dotted name."""
    return ROOT.joinpath("pipeline", *name.split(".")[1:]).with_suffix(".py")


class Module:
    """What a module defines, and what its names mean that it imports."""

    def __init__(self, name: str) -> None:
        tree = ast.parse(file_of(name).read_text("utf-8"))
        self.name = name
        self.defined: dict[str, ast.stmt] = {}
        self.imported: dict[str, str] = {}
        for statement in tree.body:
            if isinstance(statement, ast.FunctionDef | ast.ClassDef):
                self.defined[statement.name] = statement
            elif isinstance(statement, ast.Assign | ast.AnnAssign):
                targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
                names = [node.id for target in targets for node in ast.walk(target) if isinstance(node, ast.Name)]
                self.defined |= dict.fromkeys(names, statement)
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("snowtally"):
                self.imported |= {alias.asname or alias.name: f"{node.module}.{alias.name}" for alias in node.names}


@functools.cache
def parsed(name: str) -> Module | None:
    """Return a module of the program by its dotted name, None where there is none."""
    return Module(name) if file_of(name).is_file() else None


def used(module: Module, statement: ast.stmt) -> Iterator[str]:
    """Yield the dotted names of the program that a definition uses."""
    for node in ast.walk(statement):
        if isinstance(node, ast.Name):
            if node.id in module.defined:
                yield f"{module.name}.{node.id}"
            elif node.id in module.imported:
                yield module.imported[node.id]
        elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
            whole = parsed(module.imported.get(node.value.id, ""))
            if whole is not None:
                yield f"{whole.name}.{node.attr}"


def plain(node: object) -> str:
    """Return a syntax tree as text, without docstrings and annotations: prose and types decide no value."""
    if isinstance(node, list):
        prose = [one for one in node if isinstance(one, ast.Expr) and isinstance(one.value, ast.Constant)]
        return f"[{' '.join(plain(one) for one in node if one not in prose)}]"
    if not isinstance(node, ast.AST):
        return repr(node)
    parts = {field: value for field, value in ast.iter_fields(node) if value not in (None, [])}
    parts = {field: value for field, value in parts.items() if field not in ("annotation", "returns", "ctx", "kind")}
    return f"{type(node).__name__}({' '.join(f'{field}={plain(value)}' for field, value in parts.items())})"


def code_hash(name: str) -> str:
    """Return the hash of all code that a maker's values depend on."""
    waiting, code = [f"snowtally.{entry}" for entry in ENTRIES[name]], {}
    while waiting:
        dotted = waiting.pop()
        module = parsed(dotted.rpartition(".")[0])
        statement = None if module is None else module.defined.get(dotted.rpartition(".")[2])
        if statement is not None and dotted not in code and not dotted.startswith(IN_KEYS):
            code[dotted] = plain(statement)
            waiting += used(module, statement)
    # Without the modules' names: a function that moved makes what it made.
    return hashlib.sha256("\n".join(sorted(code.values())).encode()).hexdigest()[:16]


def pins() -> dict[str, list]:
    """Return version and code of each maker as they are now."""
    return {name: [maker(name).version, code_hash(name)] for name in ENTRIES}


if __name__ == "__main__":
    PINS.write_text(json.dumps(pins(), indent=2) + "\n", "utf-8")
