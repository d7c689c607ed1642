"""A YAML file as plain values, and what is wrong with it in plain words."""

from __future__ import annotations

import difflib
import os
import re
from pathlib import Path
from typing import Any, get_args

import yaml
from pydantic import BaseModel
from pydantic_core import ErrorDetails

from snowtally.model.problems import SettingsError
from snowtally.settings.blocks import Column, SnowClass


def read_yaml(path: Path | str) -> dict[str, Any]:
    """Return the mapping that a YAML file holds.

    Raises
    ------
    SettingsError : the file is missing, cannot be read, or holds no mapping. One line: what is wrong, where, what to do.
    """
    try:
        text = Path(os.path.realpath(path)).read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError(
            f"settings file {path} does not exist. Give the path of a basin's YAML file, such as configs/larkmoor.yaml"
        ) from None
    except (OSError, UnicodeDecodeError) as trouble:
        why = getattr(trouble, "strerror", None) or trouble
        raise SettingsError(f"settings file {path} cannot be read: {why}") from None
    try:
        content = yaml.load(text, Loader=_PlainLoader)  # noqa: S506  a SafeLoader whose dates stay text
    except yaml.YAMLError as trouble:
        mark = getattr(trouble, "problem_mark", None)
        where = "" if mark is None else f" at line {mark.line + 1}"
        problem = getattr(trouble, "problem", trouble)
        raise SettingsError(f"settings file {path}{where} is not valid YAML: {problem}") from None
    except RecursionError:
        raise SettingsError(
            f"settings file {path} is nested too deeply: settings have four levels at most. "
            "Look for brackets that are never closed"
        ) from None
    except (ValueError, TypeError, AttributeError, ArithmeticError, LookupError) as trouble:
        raise SettingsError(f"settings file {path} holds a value that cannot be read: {trouble}") from None
    if not isinstance(content, dict):
        raise SettingsError(f"settings file {path} must hold a mapping of keys such as basin:, grid:, inputs:")
    return content


class _PlainLoader(yaml.SafeLoader):
    """Safe YAML whose dates stay text and whose keys are unique.

    So 10-01 and 2031-03-01 are texts.
    """

    def construct_scalar(self, node: yaml.ScalarNode | yaml.MappingNode) -> Any:  # noqa: ANN401  as YAML's own
        value = super().construct_scalar(node)
        # No path, name or code has one, and the system ends a path there.
        if isinstance(value, str) and "\0" in value:
            raise yaml.constructor.ConstructorError(
                None, None, "a zero character stands in a text: take it out", node.start_mark
            )
        return value

    def construct_mapping(self, node: yaml.MappingNode, deep: bool = False) -> dict:
        first: dict[str, int] = {}
        for key, _ in node.value:
            if not isinstance(key, yaml.ScalarNode):
                continue
            if key.value in first:
                problem = f"key {key.value} is given twice, first at line {first[key.value] + 1}: take one out"
                raise yaml.constructor.ConstructorError(None, None, problem, key.start_mark)
            # A merge may stand several times, and what it brings is not written here.
            if key.tag != "tag:yaml.org,2002:merge":
                first[key.value] = key.start_mark.line
        return super().construct_mapping(node, deep)


_PlainLoader.yaml_implicit_resolvers = {
    first: [(tag, pattern) for tag, pattern in resolvers if tag != "tag:yaml.org,2002:timestamp"]
    for first, resolvers in yaml.SafeLoader.yaml_implicit_resolvers.items()
}


def in_words(error: ErrorDetails, root: type[BaseModel]) -> str:
    """Return one error of a model as `key: what is wrong`."""
    path = [str(part) for part in error["loc"]]
    key = ".".join(path)
    if error["type"] == "extra_forbidden":
        return f"unknown key {key}. {_known_keys(path, root)}"
    if error["type"] == "missing":
        return f"{key} is missing"
    if error.get("input", "") is None:
        return f"{key} is empty. Give it a value, or take the key out where it is optional"
    message = error["msg"].removeprefix("Value error, ")
    value = error.get("input")
    given = f" (given: {value!r})" if isinstance(value, str | int | float) else ""
    if key.endswith("snow_class"):
        message = "must be one of " + ", ".join(get_args(SnowClass))
    if error["type"] == "string_pattern_mismatch":
        message = "may hold letters, digits, '-' and '_' only"
    return f"{key}: {re.sub(r'^Input s', 's', message)}{given}"


def _known_keys(path: list[str], root: type[BaseModel]) -> str:
    """Return the known keys beside an unknown one, the nearest first."""
    block = root
    for part in path[:-1]:
        field = block.model_fields.get(part)
        kinds = (field.annotation, *get_args(field.annotation)) if field is not None else ()
        block = next((kind for kind in kinds if isinstance(kind, type) and issubclass(kind, BaseModel)), Column)
    known = list(block.model_fields)
    near = difflib.get_close_matches(path[-1], known, n=1)
    return f"Did you mean {near[0]}?" if near else "Known keys here: " + ", ".join(known)
