"""Which modules are mutated, which tests guard each, and which survivors are no loss and why."""

from __future__ import annotations

from pathlib import Path

from layers import PIPELINE, ROOT, imported, modules

CORE = ("archive", "courses", "snow", "stations", "statistics")
"""Folders whose slips would be published without a word: the estimate, its errors, the checks and what is current."""


CONSTANTS = "tests/test_constants_page.py"


def subjects() -> dict[str, list[str]]:
    """Return the modules of the core, each with the tests of its own folder that import it, the shortest first.

    Where none does, all tests of the folder stand guard.
    """
    return {named(module): guards(module) for folder in CORE for module in modules(PIPELINE / folder)}


def guards(module: Path) -> list[str]:
    """Return the test files that guard a module; the page of constants guards the values at its head."""
    dotted = ".".join(("snowtally", *module.relative_to(PIPELINE).with_suffix("").parts))
    tests = sorted((ROOT / "tests" / module.parent.name).glob("test_*.py"), key=lambda path: path.stat().st_size)
    own = [path for path in tests if any(name.startswith(dotted) for name in imported(path))]
    return [CONSTANTS, *(named(path) for path in own or tests)]


def named(path: Path) -> str:
    """Return a file's path from the project's folder."""
    return path.relative_to(ROOT).as_posix()


HARMLESS: dict[str, str] = {
    "pipeline/statistics/errors.py: apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) + 0.0 -> "
    "apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) - 0.0 in "
    "apart = apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) + 0.0": "the sign of a zero",
    "pipeline/statistics/errors.py: 0.0 -> 1.0 in weight = np.where(group >= 0, cell_area_m2 * se / MM_PER_M, 0.0)": "weights outside "
    "all groups are summed nowhere; they only must not be missing",
    "pipeline/estimate/swe_map.py: fields[\"cell_area\"].to_numpy() > 0 -> fields['cell_area'].to_numpy() >= 0 in "
    'grid, window = inputs.basin.grid.window(fields["cell_area"].to_numpy() > 0)': "outside the basin the published area is missing and never 0",
    "pipeline/publishing/publish.py: 0o222 -> 147 in path.chmod(path.stat().st_mode & ~0o222)": "no published file is a program, so that "
    "nobody has a right to run it that could be lost",
    "pipeline/courses/visit_checks.py: 0 -> 1 in if np.isfinite(expected.near) and swe > 0:": "1 mm of SWE and less is never "
    "far off: its reading error alone is twelve times as much",
    "pipeline/stations/own_series_checks.py: 2000 -> 2001 in SEEN_BACK = 2000": "the last good reading before a spike lies within "
    "hours of it, never so many readings back",
    "pipeline/stations/clock_checks.py: np.abs(late) >= OFF_HOURS -> np.abs(late) > OFF_HOURS in "
    "wrong = clear & agree & (np.abs(late) >= OFF_HOURS)": "an angle reckoned from sums over ten days is never the limit to its last bit",
    "pipeline/courses/visit_checks.py: slip.odds < np.log(limits.mix_up_odds) -> slip.odds <= np.log(limits.mix_up_odds) in "
    "if slip is None or slip.odds < np.log(limits.mix_up_odds):": "odds reckoned from logarithms are never the limit to their last bit",
    "pipeline/courses/context.py: measured >= FRESH_KG_M3 -> measured > FRESH_KG_M3 in return measured >= FRESH_KG_M3 and bool(": "a "
    "density that comes back from its logarithm is never the limit to its last bit",
    "pipeline/courses/context.py: depth_m * (1 - measured / old) / (1 / FRESH_KG_M3 - 1 / old) <= self.fresh_mm -> "
    "depth_m * (1 - measured / old) / (1 / FRESH_KG_M3 - 1 / old) < self.fresh_mm in "
    "depth_m * (1 - measured / old) / (1 / FRESH_KG_M3 - 1 / old) <= self.fresh_mm": "the same",
    "pipeline/courses/mixups.py: expected.near + expected.last_mm -> expected.near - expected.last_mm in "
    "if best.depth == best.swe and not np.isfinite(expected.near + expected.last_mm):": "a sum is finite where the difference is",
    "pipeline/archive/held.py: d > day -> d >= day in near = [max((d for d in dates if d < day), default=None), "
    "min((d for d in dates if d > day), default=None)]": "it is asked only for days that are not held",
    "pipeline/courses/sample_checks.py: depth > READING_DEPTH_M -> depth >= READING_DEPTH_M in "
    "most = (swe + READING_SWE_MM) / (depth - READING_DEPTH_M).where(depth > READING_DEPTH_M)": "missing and endless are both no less "
    "than any density",
}
"""Survivors that no test should kill: by what the trial prints of them after the line number, the reason."""
