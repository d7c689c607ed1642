"""Which modules are mutated, which tests guard each, and which survivors are no loss and why."""

SUBJECTS = {
    "pipeline/statistics/totals.py": ["tests/statistics/test_totals.py"],
    "pipeline/statistics/intervals.py": ["tests/statistics/test_intervals.py"],
    "pipeline/statistics/errors.py": ["tests/statistics/test_errors.py"],
    "pipeline/statistics/area_sums.py": ["tests/statistics/test_area_sums.py", "tests/statistics/test_errors.py"],
    "pipeline/estimate/swe_map.py": ["tests/nights/test_headline_figures.py", "tests/estimate/test_estimate.py"],
    "pipeline/publishing/publish.py": [
        "tests/publishing/test_publish.py",
        "tests/publishing/test_damaged_records.py",
        "tests/publishing/test_store.py",
    ],
    "pipeline/publishing/staging.py": ["tests/publishing/test_staging.py", "tests/publishing/test_crashes.py"],
    "pipeline/publishing/derived.py": [
        "tests/publishing/test_derived.py",
        "tests/publishing/test_publish.py",
        "tests/test_reading.py",
    ],
    "pipeline/courses/checks.py": [
        "tests/courses/test_checks.py",
        "tests/courses/test_faults.py",
    ],
    "pipeline/stations/own_series_checks.py": ["tests/stations/test_checks.py"],
    "pipeline/stations/neighbour_checks.py": [
        "tests/stations/test_neighbour_checks.py",
        "tests/stations/test_checks.py",
    ],
}
"""For each module the tests that guard it, the quickest first; the module's own examples come before them."""

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
    "pipeline/courses/checks.py: 0 -> 1 in if np.isfinite(expected.near) and swe > 0:": "1 mm of SWE and less is never "
    "far off: its reading error alone is twelve times as much",
    "pipeline/stations/own_series_checks.py: 2000 -> 2001 in SEEN_BACK = 2000": "the last good reading before a spike lies within "
    "hours of it, never so many readings back",
}
"""Survivors that no test should kill: by what the trial prints of them after the line number, the reason."""
