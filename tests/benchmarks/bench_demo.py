"""Nights of the demo basin: the first after installation, one in a process of its own, and one among others in a lasting process.

The first compiles all inner loops, measures three flights and fills the caches. A lasting process is that of a backfill; of its dates
one is taken off, which pays for its start.
"""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

from command import ROOT, taken_by
from timing import Figure, no_more_than

DAYS = 8
FIRST = dt.date(2031, 4, 1)
FIRST_S, WARM_S, LASTING_S = 15.0, 4.0, 2.0
"""Goals, CPU seconds."""


def figures(folder: Path) -> list[Figure]:
    """Return CPU seconds of the demo's nights."""
    home = folder / "demo"
    home.mkdir()
    archives = [_settings(home, name) for name in ("nights", "one", "many")]
    compiled = {"NUMBA_CACHE_DIR": str(home / "compiled")}
    first, second, warm = (
        taken_by(home, "update", str(archives[0]), "--date", str(FIRST + dt.timedelta(days=day)), **compiled)
        for day in range(3)
    )
    warm_s = min(second.cpu_s, warm.cpu_s)
    one, many = (
        taken_by(
            home, "backfill", str(archive), "--from", str(FIRST), "--until", str(FIRST + dt.timedelta(days=days)),
            **compiled,
        )
        for archive, days in ((archives[1], 0), (archives[2], DAYS))
    )  # fmt: skip
    return [
        no_more_than("demo, the first night after installation: CPU seconds", first.cpu_s, FIRST_S, "s"),
        no_more_than("demo, a later night in a process of its own: CPU seconds", warm_s, WARM_S, "s"),
        no_more_than(
            f"demo, a night of {DAYS} more in a lasting process: CPU seconds", (many.cpu_s - one.cpu_s) / DAYS, LASTING_S, "s"
        ),
        Figure(f"peak memory of {DAYS + 1} nights in a lasting process, beside that of one", f"{many.peak_mb:.0f} MB", f"{one.peak_mb:.0f} MB"),
    ]  # fmt: skip


def _settings(home: Path, name: str) -> Path:
    """Write the demo's settings with an archive of their own, and return their file."""
    text = (
        (ROOT / "configs" / "larkmoor.yaml").read_text("utf-8").replace("../sample_inputs", str(ROOT / "sample_inputs"))
    )
    path = home / f"{name}.yaml"
    path.write_text(re.sub(r"(?m)^archive: .*$", f"archive: {home / name}", text), "utf-8")
    return path
