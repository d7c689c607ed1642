"""Is every revision of a season made again from the archive alone, byte for byte, and how much room does a season take?

`python tests/publishing/trials/rebuild_trial.py [--every 15]` publishes dates of the demo's season into an archive of its own, makes each
again from what the archive keeps, and prints the table of docs/figures.md.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
import tempfile
import warnings
from pathlib import Path

ROOT = Path(__file__).parents[3]
sys.path.insert(0, str(ROOT))

from snowtally.inspection.status import status  # noqa: E402
from snowtally.model.problems import NoEstimateError  # noqa: E402
from snowtally.operations.rebuild import rebuild_revision  # noqa: E402
from snowtally.operations.run import update  # noqa: E402
from snowtally.settings.basin import read_settings  # noqa: E402
from snowtally.storage.paths import sizes_in  # noqa: E402

FIRST, LAST = dt.date(2030, 11, 15), dt.date(2031, 6, 20)


def main() -> int:
    """Run the trial; exit status 1 where a revision is not made again as it was."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every", type=int, default=15, help="days from one date to the next")
    every = parser.parse_args().every
    warnings.simplefilter("ignore")
    different, made, none = [], 0, 0
    with tempfile.TemporaryDirectory(prefix="snowtally-") as folder:
        settings = read_settings(ROOT / "configs" / "larkmoor.yaml").model_copy(update={"archive": folder})
        settings._file = ROOT / "configs" / "larkmoor.yaml"
        for number in range((LAST - FIRST).days // every + 1):
            date = FIRST + dt.timedelta(days=number * every)
            try:
                update(settings, date, lambda _: None)
            except NoEstimateError:
                none += 1
                continue
            found = rebuild_revision(settings, date, None, lambda _: None)
            made += 1
            if not found.reproduced:
                different.append(f"{date}: {', '.join(found.different)}")
        held = status(folder, settings.basin.id, LAST, settings.basin.season_start)
        inputs = sum(sizes_in(Path(folder) / settings.basin.id / "inputs").values())
    sys.stdout.write(
        f"{made} dates of the demo's season, {none} without snow or word of it; made again from the archive alone: "
        f"{made - len(different)} with the same bytes\n"
        f"room: {held.size_bytes / 1e6:.0f} MB, of which {inputs / 1e6:.0f} MB are kept inputs; {(held.size_bytes - inputs) / 1e6 / made:.1f} MB a date "
        "beside them\n"
    )
    sys.stdout.write("".join(f"{line}\n" for line in different))
    return 1 if different else 0


if __name__ == "__main__":
    sys.exit(main())
