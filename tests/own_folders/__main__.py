"""Folders of files as teams keep them, from `init` to a night: `python tests/own_folders [--only NAME_OR_NUMBER] [--keep FOLDER]`.

Each of twelve makers writes one made basin's data in a way of its own, and the same data canonically. `init --yes` and the
update that it names run on the folder, the same night on the canonical copy, on the same grid. Printed are exit statuses,
seconds, the volume against the canonical one, what was read otherwise, and with what a folder stopped. `python tests/own_folders
draws --count 50 --seed 1` changes the headers of the demo's inputs at random instead and looks at the mappings alone. Ends
with status 1 where a bar is missed.
"""

# ruff: noqa: T201  a command prints its tables

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from pathlib import Path

os.environ.setdefault("COLUMNS", "400")
sys.path.append(str(Path(__file__).parents[1] / "made"))
sys.path.append(str(Path(__file__).parents[2] / "sample_inputs" / "ettlewick"))
sys.path.insert(0, str(Path(__file__).parents[2]))

import folders_english  # noqa: F401  notes its folders
import folders_other  # noqa: F401
from own_folder import FOLDERS
from own_judge import MOST_OFF, Verdict, judged

LEAST_PUBLISHED = 10


def row(number: int, verdict: Verdict) -> str:
    """Return a row of the table."""
    off = "" if verdict.off is None else f"{verdict.off:+.2f}"
    wrong = "; ".join(
        f"{what}: {how} [{FOLDERS[verdict.name].silent.get(what, '')}]" for what, how in verdict.wrong.items()
    )
    names = (
        ""
        if verdict.off is not None
        else f"{'file' if verdict.names_file else 'no file'}, {'cure' if verdict.names_cure else 'no cure'}"
    )
    update = "" if verdict.update_status is None else f"{verdict.update_status} | {verdict.update_s:.0f}"
    cells = [
        str(number), verdict.name, verdict.verdict, f"{verdict.init_status} | {verdict.init_s:.1f}", update or " | ", off, wrong,
        "; ".join(verdict.lost), names, verdict.message[:700].replace("|", "/"),
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def folders(asked: argparse.Namespace) -> int:
    """Judge the folders and return the exit status."""
    heads = "| | folder | verdict | init | s | update | s | volume off % | read otherwise | lost | names | said |"
    print(heads + "\n" + "| --- " * 12 + "|")
    chosen = [
        (n, own) for n, own in enumerate(FOLDERS.values(), 1) if not asked.only or asked.only in (str(n), own.name)
    ]
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory(prefix="own-folders-") as place:
        for number, own in chosen:
            verdict = judged(own, asked.keep or Path(place))
            counts[verdict.verdict] += 1
            print(row(number, verdict), flush=True)
    print(
        f"\n{counts['published']} of {len(chosen)} published within {MOST_OFF:g} %, {counts['stopped']} stopped with file and cure,"
    )
    print(f"{counts['FAILED']} failed otherwise, {counts['SILENT']} with a unit, day or offset taken silently.")
    least = LEAST_PUBLISHED if len(chosen) == len(FOLDERS) else 0
    return int(counts["published"] < least or counts["FAILED"] > 0 or counts["SILENT"] > 0)


def main() -> int:
    """Run what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="?", choices=("folders", "draws"), default="folders")
    parser.add_argument("--only", default="", help="one folder, by name or number")
    parser.add_argument("--keep", type=Path, help="leave the folders here")
    parser.add_argument("--count", type=int, default=50, help="draws")
    parser.add_argument("--seed", type=int, default=1, help="first draw")
    asked = parser.parse_args()
    if asked.what == "draws":
        from header_draws import draws  # noqa: PLC0415  needs nothing of the folders

        return draws(asked.count, asked.seed)
    return folders(asked)


if __name__ == "__main__":
    sys.exit(main())
