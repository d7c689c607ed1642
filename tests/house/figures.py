"""How easy the code is to enter, counted from the code itself."""

from __future__ import annotations

import ast
import io
import re
import statistics
import subprocess
import sys
import tokenize
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from layers import PIPELINE, ROOT, modules

CODE = (PIPELINE, ROOT / "flows")
MOST_LINES = 38_471
"""No more lines of code than there are; the aim is 19,500."""

PRIVATE_WORDS = (
    "told",
    "tells",
    "telling",
    "place",
    "places",
    "found",
    "kept",
    "surroundings",
    "stands",
    "heard",
    "unheard",
)
"""Words that named two things or more, by the glossary; `found` as a plain local variable is counted too."""


@dataclass(frozen=True)
class Parsed:
    """A module's text and its syntax tree."""

    path: Path
    text: str
    tree: ast.Module

    @property
    def name(self) -> str:
        """Path from the project's folder."""
        return self.path.relative_to(ROOT).as_posix()


def parsed() -> list[Parsed]:
    """Return every module of the program."""
    paths = [path for folder in CODE for path in modules(folder)]
    return [Parsed(path, text, ast.parse(text)) for path in paths for text in [path.read_text("utf-8")]]


def root_modules() -> list[str]:
    """Return the modules that lie at the root of pipeline/."""
    return sorted(path.name for path in PIPELINE.glob("*.py") if path.name != "__init__.py")


def _docstring_lines(tree: ast.AST) -> set[int]:
    """Return the lines of docstrings, and of the texts under assignments."""
    lines: set[int] = set()
    for node in ast.walk(tree):
        for statement in getattr(node, "body", []) if not isinstance(node, ast.Lambda | ast.IfExp) else []:
            if (
                isinstance(statement, ast.Expr)
                and isinstance(statement.value, ast.Constant)
                and isinstance(statement.value.value, str)
            ):
                lines.update(range(statement.lineno, statement.end_lineno + 1))
    return lines


def code_lines(module: Parsed) -> int:
    """Return the lines of code, without docstrings, comments and blank lines."""
    texts = _docstring_lines(module.tree)
    used: set[int] = set()
    skipped = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}
    for token in tokenize.generate_tokens(io.StringIO(module.text).readline):
        if token.type not in skipped:
            used.update(range(token.start[0], token.end[0] + 1))
    return len(used - texts)


def _is_mixed(annotation: ast.expr) -> bool:
    """Tell whether a tuple of different types stands anywhere in an annotation."""
    for node in ast.walk(annotation):
        if isinstance(node, ast.Subscript) and isinstance(node.value, ast.Name) and node.value.id == "tuple":
            parts = node.slice.elts if isinstance(node.slice, ast.Tuple) else [node.slice]
            kinds = {ast.unparse(part) for part in parts} - {"..."}
            if len(kinds) > 1:
                return True
    return False


def mixed_tuple_parameters(module: Parsed) -> Iterator[str]:
    """Yield the parameters that are tuples of different types."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            for arg in [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]:
                if arg.annotation is not None and _is_mixed(arg.annotation):
                    yield f"{module.name}:{arg.lineno} {node.name}({arg.arg})"


def summaries(module: Parsed) -> Iterator[str]:
    """Yield the first sentence of each docstring of a function or class."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            text = ast.get_docstring(node)
            if text:
                yield re.split(r"\.\s|\n\n", text.strip(), maxsplit=1)[0]


def names(module: Parsed) -> Iterator[tuple[str, int]]:
    """Yield the names that the module defines, with their lines: functions, classes, parameters, variables, attributes."""
    yield module.path.stem, 1
    for node in ast.walk(module.tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            yield node.name, node.lineno
        elif isinstance(node, ast.arg):
            yield node.arg, node.lineno
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            yield node.id, node.lineno


def private_names(module: Parsed) -> Iterator[str]:
    """Yield the names that hold a word of `PRIVATE_WORDS`."""
    for name, line in names(module):
        if any(part.lower() in PRIVATE_WORDS for part in re.findall(r"[A-Z]?[a-z]+|[A-Z]+", name)):
            yield f"{module.name}:{line} {name}"


NOQA = re.compile(r"#\s*(?:noqa|type: ignore)\b(?P<rest>.*)")


def exceptions(module: Parsed) -> Iterator[tuple[int, str]]:
    """Yield line and reason of each exception from a rule."""
    for number, line in enumerate(module.text.splitlines(), 1):
        if "noqa" in line or "type: ignore" in line:
            match = NOQA.search(line)
            if match:
                yield (
                    number,
                    re.sub(r"^[\s:\[\]A-Za-z0-9,-]*?(?:[A-Z]+\d+|\])(?:,\s*[A-Z]+\d+)*", "", match["rest"]).strip(),
                )


def _numbers(value: ast.expr) -> bool:
    return any(isinstance(one, ast.Constant) and type(one.value) in (int, float) for one in ast.walk(value))


def bare_constants(module: Parsed) -> Iterator[str]:
    """Yield the module's numeric constants that say nothing of why they have their value."""
    lines = module.text.splitlines()
    body = module.tree.body
    for place, statement in enumerate(body):
        targets = (
            statement.targets
            if isinstance(statement, ast.Assign)
            else [statement.target]
            if isinstance(statement, ast.AnnAssign)
            else []
        )
        if not targets or statement.value is None or not _numbers(statement.value):
            continue
        if isinstance(statement.value, ast.Call) and ast.unparse(statement.value.func) in (
            "range",
            "re.compile",
            "TypeVar",
        ):
            continue
        text = ""
        for later in body[place + 1 :]:
            if isinstance(later, ast.Expr) and isinstance(later.value, ast.Constant):
                text = str(later.value.value)
                break
            if not isinstance(later, ast.Assign | ast.AnnAssign):
                break
        comment = any("#" in lines[number - 1] for number in range(statement.lineno, statement.end_lineno + 1))
        if not text and not comment:
            yield f"{module.name}:{statement.lineno} {ast.unparse(targets[0])}"


def type_errors() -> list[str]:
    """Return what the type checker finds."""
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--no-error-summary"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    return [line for line in done.stdout.splitlines() if ": error:" in line]


def table(found: list[Parsed], *, with_types: bool = True) -> list[tuple[str, float, float]]:
    """Return rows of what is counted, the count, and the bar."""
    words = [len(text.split()) for module in found for text in summaries(module)]
    rows = [
        ("modules at the root of pipeline/", len(root_modules()), 3),
        ("tuple parameters of mixed types", sum(1 for m in found for _ in mixed_tuple_parameters(m)), 5),
        ("docstring summary, median words", statistics.median(words), 10),
        ("names with a word of two meanings", sum(1 for m in found for _ in private_names(m)), 0),
        ("exceptions from rules", sum(1 for m in found for _ in exceptions(m)), 79),
        ("exceptions without a reason", sum(1 for m in found for _, why in exceptions(m) if not why), 0),
        ("constants without provenance", sum(1 for m in found for _ in bare_constants(m)), 0),
        ("lines of code without docstrings", sum(code_lines(m) for m in found), 19_500),
    ]
    return [*rows, ("type errors", len(type_errors()), 0)] if with_types else rows
