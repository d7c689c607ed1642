"""Print how easy the code is to enter: `python tests/house [COUNT]`; with a name of a count, what it counts, one a line."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[2] / "docs")]

import figures  # noqa: E402  a script finds what lies beside it

LISTED = {
    "tuples": figures.mixed_tuple_parameters,
    "names": figures.private_names,
    "noqa": lambda module: (f"{module.name}:{line} {why}" for line, why in figures.exceptions(module)),
    "constants": figures.bare_constants,
    "summaries": lambda module: (
        f"{len(text.split())} {module.name} {text}" for text in figures.summaries(module) if len(text.split()) > 12
    ),
}


def main(words: list[str]) -> None:
    """Print the table, or one list."""
    modules = figures.parsed()
    if words and words[0] in LISTED:
        print(
            "\n".join(
                line for module in modules for line in LISTED[words[0]](module) if not words[1:] or words[1] in line
            )
        )
        return
    for what, count, bar in figures.table(modules, with_types="--fast" not in words):
        print(f"{what:42s} {count:8g} {'at most':>8s} {bar:g}")


if __name__ == "__main__":
    main(sys.argv[1:])
