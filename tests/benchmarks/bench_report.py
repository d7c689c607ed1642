"""The page of a day: beside a night of the demo basin, and bounded on 1.6 million cells."""

from __future__ import annotations

import datetime as dt
import sys
from pathlib import Path

from timing import Figure, Runs, alternate, no_more_than, slower_at_most

from snowtally.operations import run
from snowtally.publishing.publish import publish
from snowtally.report.pages import make_day_page, make_season_page
from snowtally.settings.basin import read_settings

sys.path.append(str(Path(__file__).parents[1] / "made"))

from made_day import made_day  # the tests' own made-up day
from made_pages import provenance

ROOT = Path(__file__).parents[2]
SIDE = 1265
DEMO_DATE = dt.date(2031, 4, 14)
DATES = ("2031-03-01", "2031-03-08")


def runs(folder: Path) -> Runs:
    """Return a night of the demo basin as it is each night, its pages alone, and the page of a large made-up day."""
    large = folder / "large"
    for number, date in enumerate(DATES):
        publish(large, made_day(date, height=SIDE, width=SIDE, extra_mm=10.0 * number), provenance(date))
    demo = read_settings(ROOT / "configs" / "larkmoor.yaml").model_copy(update={"archive": str(folder / "demo")})
    count = iter(range(100))

    def night() -> None:
        # The same inputs would publish nothing new: each round has an archive of its own.
        fresh = demo.model_copy(update={"archive": str(folder / f"night{next(count)}")})
        run.update(fresh, DEMO_DATE, lambda _stage: None)

    def demo_pages() -> None:
        make_day_page(folder / "demo", demo.basin.id, DEMO_DATE, "metric")
        make_season_page(folder / "demo", demo.basin.id, "metric")

    run.update(demo, DEMO_DATE, lambda _stage: None)
    return {
        "night": night,
        "pages": demo_pages,
        "large": lambda: make_day_page(large, "larkmoor", dt.date.fromisoformat(DATES[-1]), "metric"),
    }


def figures(folder: Path) -> list[Figure]:
    """Return the pages' share of a night, seconds of the large day's page, and sizes."""
    taken = alternate(runs(folder))
    pages = [
        folder / "demo/larkmoor" / str(DEMO_DATE) / "report.html",
        folder / "large/larkmoor" / DATES[-1] / "report.html",
    ]
    sizes = [path.stat().st_size / 1e6 for path in pages]
    return [
        slower_at_most(
            "pages of a demo night: day and season", taken["pages"], ("the whole night", taken["night"]), 0.2
        ),
        no_more_than("the page's size", sizes[0], 3.0, "MB"),
        no_more_than(f"the page of {SIDE * SIDE / 1e6:.1f} million cells, CPU seconds", taken["large"].cpu_s, 4.0, "s"),
        no_more_than("its size", sizes[1], 3.0, "MB"),
    ]
