"""The settings file that is proposed.

YAML whose comments say why each value is proposed, and what is missing.
"""

from __future__ import annotations

import json
import os
import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml
from pydantic import BaseModel

from snowtally.proposals.proposal import Proposal, UnknownFile, Value
from snowtally.settings.basin import Settings

WIDTH = 110
"""Columns of a comment's line."""

UNDECIDED = (
    "NOT READY: these points could not be decided. Decide each, in this file or in the file that it names, and take its line out. Until "
    "then every command refuses these settings."
)

PATH_KEYS = ("basin.zones", "terrain.elevation", "terrain.canopy", "inputs", "flights.water", "plan.trails")
"""Keys whose values are paths: absolute in a draft, relative to the settings file in what is written."""


@dataclass
class Draft:
    """The settings as they grow.

    Parameters
    ----------
    values : nested, as YAML holds them; paths are absolute.
    comments : by the key's parts, the lines above it.
    missing : by the key's parts, the lines in place of a key that nothing could be proposed for.
    """

    values: dict[str, Any] = field(default_factory=dict)
    comments: dict[tuple[str, ...], list[str]] = field(default_factory=dict)
    missing: dict[tuple[str, ...], list[str]] = field(default_factory=dict)

    def put(self, key: str, value: Value, evidence: str = "") -> None:
        """Set a key, and add its evidence to the comment above it. Mappings are merged."""
        parts = tuple(key.split("."))
        _merge(self.values, parts, value)
        if evidence:
            lines = self.comments.setdefault(parts, [])
            lines += [evidence] if evidence not in lines else []

    def take(self, proposal: Proposal) -> None:
        """Set what a proposal says."""
        self.put(proposal.key, proposal.value, proposal.evidence)

    def lack(self, key: str, why: str) -> None:
        """Note why a key is missing, and what to do."""
        self.missing.setdefault(tuple(key.split(".")), []).append(why)


def _merge(tree: dict[str, Any], parts: Sequence[str], value: object) -> None:
    for part in parts[:-1]:
        tree = tree.setdefault(part, {})
    last, old = parts[-1], tree.get(parts[-1])
    if isinstance(old, dict) and isinstance(value, dict):
        for key, inner in value.items():
            _merge(old, [key], inner)
    else:
        tree[last] = value


def text_of(
    draft: Draft,
    home: Path,
    heading: Sequence[str] = (),
    unused: Sequence[UnknownFile] = (),
    undecided: Sequence[str] = (),
) -> str:
    """Return the settings file's text.

    Parameters
    ----------
    home : the folder of the file, to which paths are relative.
    heading : lines at its beginning.
    unused : files that no setting names, listed at its end.
    undecided : points that a person must decide; settings with one are refused.
    """
    lines = [*_comment(heading, "")]
    if undecided:
        lines += [
            *_comment([UNDECIDED], ""),
            "undecided:",
            *(f"  - {json.dumps(point, ensure_ascii=False)}" for point in undecided),
        ]
    lines += _block(_relative(draft.values, home), draft, (), Settings)
    if unused:
        lines += ["", "# Files that no setting names:"]
        names: dict[str, list[str]] = {}
        for one in unused:
            names.setdefault(one.why, []).append(relative(one.path, home))
        listed = [f"{', '.join(of_one)}: {why}" for why, of_one in names.items()]
        lines += [line for text in listed for line in _comment([text], "", "#   ")]
    return "\n".join(lines) + "\n"


def relative(path: Path | str, home: Path) -> str:
    """Return a path from a folder, with slashes.

    A path far away as it is.
    """
    near = Path(os.path.relpath(path, home))
    return (near if near.parts.count("..") <= MOST_UP else Path(path)).as_posix()


MOST_UP = 2
"""A file that lies further up than so many folders is named by its whole path (chosen: it reads better)."""


def _relative(tree: Mapping[str, Any], home: Path, prefix: str = "") -> dict[str, Any]:
    return {key: _relative_value(f"{prefix}{key}", value, home) for key, value in tree.items()}


def _relative_value(key: str, value: object, home: Path) -> object:
    if isinstance(value, dict):
        return _relative(value, home, f"{key}.")
    if not any(key == one or key.startswith(f"{one}.") for one in PATH_KEYS):
        return value
    return [relative(str(one), home) for one in value] if isinstance(value, list) else relative(str(value), home)


def _block(
    tree: Mapping[str, Any], draft: Draft, above: tuple[str, ...], model: type[BaseModel] | None
) -> Iterator[str]:
    """Yield the lines of a mapping's keys.

    In the order of the settings' model.
    """
    indent = "  " * len(above)
    lacking = {parts[len(above)] for parts in draft.missing if parts[: len(above)] == above and len(parts) > len(above)}
    order = list(model.model_fields) if model is not None else []
    keys = sorted({*tree, *lacking}, key=lambda key: (order.index(key) if key in order else len(order), key))
    if not order:
        keys = [*tree, *(key for key in keys if key not in tree)]
    for key in keys:
        parts = (*above, key)
        if parts in draft.missing:
            yield from _comment([f"{key}: missing. {' '.join(draft.missing[parts])}"], indent)
        inner = _inner_model(model, key)
        if key not in tree:
            deeper = [one for one in draft.missing if one[: len(parts)] == parts and one != parts]
            if deeper:
                yield f"{indent}{key}:"
                yield from _block({}, draft, parts, inner)
            continue
        yield from _comment(draft.comments.get(parts, []), indent)
        yield from _key(key, tree[key], draft, parts, inner)


def _key(key: str, value: object, draft: Draft, parts: tuple[str, ...], inner: type[BaseModel] | None) -> Iterator[str]:
    indent = "  " * (len(parts) - 1)
    opened = any(one[: len(parts)] == parts and one != parts for one in (*draft.comments, *draft.missing))
    if isinstance(value, dict) and parts[:-1] == ("formats",):
        yield f"{indent}{key}:"
        for number, entry in value.items():
            yield from _entry(entry, draft, (*parts, number))
    elif isinstance(value, dict) and value and (opened or len(parts) == 1):
        yield f"{indent}{key}:"
        yield from _block(value, draft, parts, inner)
    else:
        yield f"{indent}{key}: {_flow(value)}"


def _entry(entry: Mapping[str, Any], draft: Draft, parts: tuple[str, ...]) -> Iterator[str]:
    """Yield the lines of an item of a list.

    A format of some files.
    """
    indent = "  " * (len(parts) - 1)
    yield from _comment(draft.comments.get(parts, []), indent)
    lines = list(_block(entry, draft, parts, None))
    # The dash stands before the first key, below the comments of that key.
    first = next(n for n, line in enumerate(lines) if not line.lstrip().startswith("#"))
    yield from lines[:first]
    yield f"{indent}- {lines[first].lstrip()}"
    yield from lines[first + 1 :]


def _inner_model(model: type[BaseModel] | None, key: str) -> type[BaseModel] | None:
    field_of = model.model_fields.get(key) if model is not None else None
    kind = field_of.annotation if field_of is not None else None
    return kind if isinstance(kind, type) and issubclass(kind, BaseModel) else None


def _flow(value: object) -> str:
    """Return a value in one line of YAML."""
    text = yaml.safe_dump(value, default_flow_style=True, width=float("inf"), allow_unicode=True, sort_keys=False)
    return re.sub(r"\n\.\.\.\n$", "", text).strip()


def _comment(texts: Sequence[str], indent: str, mark: str = "# ") -> Iterator[str]:
    for text in texts:
        plain = " ".join(text.split())
        yield from textwrap.wrap(
            plain,
            WIDTH,
            initial_indent=f"{indent}{mark}",
            subsequent_indent=f"{indent}{mark}",
            break_long_words=False,
            break_on_hyphens=False,
        )


def spare_name(path: Path) -> Path:
    """Return the name under which an earlier file is kept.

    Its own and the next free number.
    """
    numbers = [
        int(match[1])
        for other in path.parent.glob(f"{glob_escaped(path.name)}.*")
        if (match := re.fullmatch(rf"{re.escape(path.name)}\.(\d+)", other.name))
    ]
    return path.with_name(f"{path.name}.{max(numbers, default=0) + 1}")


def glob_escaped(name: str) -> str:
    """Return a file's name as a pattern that meets no other."""
    return re.sub(r"([*?\[])", r"[\1]", name)
