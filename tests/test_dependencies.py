"""What is declared is what is imported: nothing missing in a user's environment, and nothing there for nothing."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions

from layers import PIPELINE, ROOT, imported, modules

from snowtally.publishing.record import package_versions

NOT_IMPORTED_BY_NAME = {"tzdata": "time zones where the system has none"}
OPTIONAL = {"upath", "distributed", "zarr", "pydantic_core"}
"""Imported where a store, a cluster or a cube is used: extras `s3`, `cluster` and `cube`. `pydantic_core` is a part of pydantic."""


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


NO_FIGURE = {
    "dask": "opens many days for readers",
    "distributed": "measures the same elsewhere",
    "upath": "where bytes lie",
    "pydantic_core": "a part of pydantic",
}
"""Imported by what a day is made with, and without a say in its figures and bytes."""


def reached(*names):
    """Return the modules that some modules import, and what these import, with themselves."""
    paths = {
        ".".join(("snowtally", *path.with_suffix("").relative_to(PIPELINE).parts)): path for path in modules(PIPELINE)
    }
    found, left = {}, list(names)
    while left:
        name = left.pop()
        if name in paths and name not in found:
            found[name] = set(imported(paths[name]))
            left += [part for one in found[name] for part in (one, one.rpartition(".")[0])]
    return found


def test_the_record_lists_the_packages_that_a_day_is_made_with():
    made_with = reached("snowtally.gather.day", "snowtally.estimate.estimate", "snowtally.publishing.pack")
    tops = {name.split(".")[0] for names in made_with.values() for name in names}
    tops -= {"snowtally", "__future__", *sys.stdlib_module_names, *NO_FIGURE}
    of = packages_distributions()
    assert {name.lower() for top in tops for name in of[top]} == {
        name.lower() for name in package_versions() if name != "python"
    }


def test_every_import_is_declared():
    assert distributions() <= declared()


def test_every_declared_package_is_imported_or_has_a_reason():
    assert declared() - distributions() <= set(NOT_IMPORTED_BY_NAME)
