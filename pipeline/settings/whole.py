"""All that is wrong with a basin's settings, in one run: keys and values, required files, declared columns, coordinate systems."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import BaseModel, TypeAdapter, ValidationError
from pydantic_core import ErrorDetails

from snowtally.inputs.columns import check_declared
from snowtally.inputs.find import is_file, matching
from snowtally.inputs.formats import FileFormat, check_formats
from snowtally.inputs.known_systems import grid_crs, known_crs
from snowtally.inputs.known_tables import TABLES, ZONES
from snowtally.model.problems import SettingsError
from snowtally.settings.blocks import Format


def sound_parts(content: Mapping[str, Any], errors: Sequence[ErrorDetails], model: type[BaseModel]) -> dict[str, Any]:
    """Return what is left of settings without what its errors are about, by key."""
    left = copy.deepcopy(dict(content))
    for error in errors:
        _take_out(left, error["loc"])
    parts = {}
    for key, field in model.model_fields.items():
        if key in left:
            try:
                parts[key] = TypeAdapter(field.rebuild_annotation()).validate_python(left[key])
            except ValidationError:
                continue
    return parts


def _take_out(left: dict[str, Any], where: Sequence[int | str]) -> None:
    """Take the value at a place out, or what holds it where it is not there; the rest stays."""
    holder: Any = left
    for step, further in zip(where, [*where[1:], None], strict=True):
        inner = _at(holder, step)
        if inner is None or further is None or _at(inner, further) is None:
            if isinstance(holder, dict):
                holder.pop(step, None)
            return
        holder = inner


def _at(holder: object, step: int | str) -> object:
    if isinstance(holder, dict):
        return holder.get(step)
    return holder[step] if isinstance(holder, list) and isinstance(step, int) and step < len(holder) else None


def problems_of(content: Mapping[str, Any], parts: Mapping[str, Any], path_of: Callable[[str], Path]) -> list[str]:
    """Return what is wrong with settings besides their keys and values, a clause each.

    Parameters
    ----------
    content : the settings as the file holds them.
    parts : values by key, of which some may lack.
    path_of : returns a path of the settings as an absolute one.
    """
    said = [*_declared(parts), *_systems(parts), *_absent_files(content, path_of)]
    return list(dict.fromkeys(said))


def file_formats(entries: list[Format]) -> list[FileFormat]:
    """Return how the settings say that the files of a table are written."""
    return [FileFormat(**dict(entry)) for entry in entries]


def _declared(parts: Mapping[str, Any]) -> Iterator[str]:
    for role, keys in parts.get("columns", {}).items():
        for key, setting in keys.items():
            yield from _trouble(partial(check_declared, {role: {key: setting}}, [*TABLES, ZONES]))
    for role, entries in parts.get("formats", {}).items():
        for entry in file_formats(entries):
            yield from _trouble(partial(check_formats, {role: [entry]}, TABLES))
            if entry.crs is not None:
                yield from _trouble(partial(known_crs, entry.crs, f"formats.{role}.crs"))


def _systems(parts: Mapping[str, Any]) -> Iterator[str]:
    if "grid" in parts:
        yield from _trouble(partial(grid_crs, parts["grid"].crs))


def _trouble(check: Callable[[], object]) -> Iterator[str]:
    try:
        check()
    except SettingsError as trouble:
        yield str(trouble)


REQUIRED = {"basin": "zones", "terrain": "elevation", "inputs": "sites"}
"""The key of each block that names files without which there is no night."""


def _absent_files(content: Mapping[str, Any], path_of: Callable[[str], Path]) -> Iterator[str]:
    absent = []
    for block, name in REQUIRED.items():
        named = _at(content.get(block), name)
        for pattern in named if isinstance(named, list) else [named]:
            if not isinstance(pattern, str):
                continue
            path = path_of(pattern)
            if not any(is_file(file) for file in matching(path)):
                lost = "leads nowhere: it is a link to itself or to a file that is gone"
                why = lost if path.is_symlink() else "does not exist"
                absent.append(f"{block}.{name}: file {path} {why}")
    if absent:
        yield f"{'; '.join(absent)}. Paths are relative to the settings file"
