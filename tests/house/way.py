"""The way of a date through the code: which modules a reader passes who follows `snowtally update`.

A night of the made basin (tests/made/made_basin.py) is run under a profiler. Its main line is what a reader follows: the
functions of pipeline/ that ran and that, by their annotations, take or return one of the objects that carry a date from its
settings to its published result (`CARRIERS`). Helpers that get arrays, tables or numbers alone are left out: their callers
say what they do.

1. Modules: those that define a function of the main line; and, as a wider figure, all modules of which any function ran no
   more than `DEPTH` calls of pipeline/ below `main`.
2. Steps back up: calls on the main line from a folder to one that stands higher in docs/layers.py.
3. Turns: where the main line enters a module for the first time, and that module's folder stands higher than the one
   entered just before: the reader has come back from a helper to a higher stage.

`python tests/house/way.py` measures this tree, `python tests/house/way.py TREE` another checkout; there, folders that
docs/layers.py does not know are not ranked, and only modules can be compared.
"""

from __future__ import annotations

import ast
import re
import sys
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path
from types import FrameType

ROOT = Path(__file__).resolve().parents[2]
CARRIERS = frozenset(
    ["Settings", "Readings", "DayInputs", "MapOfDay", "SweMap", "Day", "Provenance", "Published", "Outcome", "Run"]
)
"""Classes whose objects carry a date: what is asked, what was read, the map, and the result."""

DEPTH = 6
"""Calls that a reader follows down from `main` (of them two lead to the command) before a name is taken for what it does (chosen)."""


@cache
def carrying_lines(path: Path) -> frozenset[int]:
    """Return the first lines of a module's functions that take or return a carrier."""
    lines = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef):
            given = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            annotations = [arg.annotation for arg in given] + [node.returns]
            text = " ".join(ast.unparse(one) for one in annotations if one is not None)
            if CARRIERS & set(re.findall(r"\w+", text)):
                # A decorated function begins at its first decorator.
                lines.add(min([node.lineno, *(one.lineno for one in node.decorator_list)]))
    return frozenset(lines)


@dataclass
class Way:
    """What was seen of the main line.

    Parameters
    ----------
    modules : in the order of first entry, from pipeline/ on.
    calls : by caller's and called module, how often.
    depths : by module of any function that ran, the fewest calls of pipeline/ down to it.
    """

    modules: list[str] = field(default_factory=list)
    calls: dict[tuple[str, str], int] = field(default_factory=dict)
    depths: dict[str, int] = field(default_factory=dict)

    def steps_up(self, order: list[str]) -> list[tuple[str, str]]:
        """Return the pairs of modules whose folders are called upwards."""
        return [(caller, called) for caller, called in self.calls if rank(called, order) > rank(caller, order) >= 0]

    def turns(self, order: list[str]) -> int:
        """Return how often the next module stands higher than the one before."""
        ranks = [rank(module, order) for module in self.modules]
        return sum(later > before for before, later in pairwise(ranks))


def rank(module: str, order: list[str]) -> int:
    """Return where a module's folder stands, from 0 below; -1 where it has no place in the order."""
    folder = module.partition("/")[0].removesuffix(".py")
    return order.index(folder) if folder in order else -1


def followed(run: Callable[[], object], package: Path) -> Way:
    """Return the main line of what `run` does in the modules of a package's folder."""
    way, home = Way(), str(package) + "/"

    def on_main_line(frame: FrameType) -> str:
        name = frame.f_code.co_filename
        if name.startswith(home) and frame.f_code.co_firstlineno in carrying_lines(Path(name)):
            return name.removeprefix(home)
        return ""

    depth = 0

    def look(frame: FrameType, event: str, _: object) -> None:
        nonlocal depth
        name = frame.f_code.co_filename
        if frame.f_code.co_name == "<module>" or not name.startswith(home) or event not in ("call", "return"):
            return
        depth += 1 if event == "call" else -1
        if event == "return":
            return
        entered = name.removeprefix(home)
        way.depths[entered] = min(depth, way.depths.get(entered, depth))
        module = on_main_line(frame)
        if not module:
            return
        if module not in way.modules:
            way.modules.append(module)
        caller, above = "", frame.f_back
        while above is not None and not caller:
            caller, above = on_main_line(above), above.f_back
        if caller and caller != module:
            way.calls[caller, module] = way.calls.get((caller, module), 0) + 1

    sys.setprofile(look)
    try:
        run()
    finally:
        sys.setprofile(None)
    return way


def measured(tree: Path) -> Way:
    """Return the main line of one night of a checkout's made basin."""
    made = next((tree / "tests").rglob("made_basin.py"))
    sys.path[:0] = [str(tree), str(made.parent)]
    import made_basin  # noqa: PLC0415  of the checkout that is asked for

    with tempfile.TemporaryDirectory() as folder:
        home = made_basin.write_basin(Path(folder))

        def night() -> None:
            done = made_basin.snowtally("update", home / "basin.yaml", "--date", "2031-03-08", "--json")
            if done.returncode not in (0, 3):
                raise SystemExit(done.stderr)

        return followed(night, tree / ".names" / "snowtally")


def main(words: list[str]) -> None:
    """Print the modules in the order of the way, and the figures."""
    sys.path.insert(0, str(ROOT / "docs"))
    from layers import FOLDERS  # noqa: PLC0415  found beside the folder of this script

    tree = Path(words[0]).resolve() if words else ROOT
    way, order = measured(tree), list(FOLDERS)
    print("\n".join(way.modules))
    print(f"modules on the way of a date            {len(way.modules):4d}   at most 40")
    near = sum(depth <= DEPTH for depth in way.depths.values())
    print(f"modules entered {DEPTH} calls below main    {near:4d}")
    print(f"modules of which anything ran           {len(way.depths):4d}")
    if tree == ROOT:
        steps = way.steps_up(order)
        print(f"steps back up                           {len(steps):4d}   at most 12")
        print("\n".join(f"  {caller} calls {called}" for caller, called in steps))
        print(f"turns to a higher folder                {way.turns(order):4d}")


if __name__ == "__main__":
    main(sys.argv[1:])
