"""What is declared is what is imported: nothing missing in a user's environment, and nothing there for nothing."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions

from layers import PIPELINE, ROOT, modules

NOT_IMPORTED_BY_NAME = {"tzdata": "time zones where the system has none"}
OPTIONAL = {"upath", "distributed", "pydantic_core"}
"""Imported where a store or a cluster is used: extras `s3` and `cluster`. `pydantic_core` is a part of pydantic."""


def imported_packages():
    """Return the top names of what the program imports, anywhere in a module."""
    found = set()
    for path in [*modules(PIPELINE), *modules(ROOT / "flows")]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.split(".")[0])
    return found - set(sys.stdlib_module_names) - {"snowtally"}


def declared():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    return {re.split(r"[\[<>=,]", line)[0].lower().replace("_", "-") for line in project["dependencies"]}


def distributions():
    names = packages_distributions()
    return {name.lower().replace("_", "-") for package in imported_packages() - OPTIONAL for name in names[package]}


def test_every_import_is_declared():
    assert distributions() <= declared()


def test_every_declared_package_is_imported_or_has_a_reason():
    assert declared() - distributions() <= set(NOT_IMPORTED_BY_NAME)
