"""Which modules are mutated, which tests guard each, and which survivors are no loss and why."""

SUBJECTS = {
    "pipeline/methods/totals.py": ["tests/methods/test_totals.py"],
    "pipeline/methods/intervals.py": ["tests/methods/test_intervals.py"],
    "pipeline/methods/errors.py": ["tests/methods/test_errors.py"],
    "pipeline/methods/area_sums.py": ["tests/methods/test_area_sums.py", "tests/methods/test_errors.py"],
    "pipeline/swe_map.py": ["tests/basin/test_headline_figures.py", "tests/test_estimate.py"],
    "pipeline/outputs/archive.py": [
        "tests/outputs/test_archive.py",
        "tests/outputs/test_damaged_records.py",
        "tests/outputs/test_store.py",
    ],
    "pipeline/outputs/staging.py": ["tests/outputs/test_staging.py", "tests/outputs/test_crashes.py"],
    "pipeline/outputs/derived.py": [
        "tests/outputs/test_derived.py",
        "tests/outputs/test_archive.py",
        "tests/outputs/test_reading.py",
    ],
    "pipeline/measurements/course_checks.py": [
        "tests/measurements/test_course_checks.py",
        "tests/measurements/test_course_faults.py",
    ],
    "pipeline/measurements/own_series_checks.py": ["tests/measurements/test_station_checks.py"],
    "pipeline/measurements/neighbour_checks.py": [
        "tests/measurements/test_neighbour_checks.py",
        "tests/measurements/test_station_checks.py",
    ],
}
"""For each module the tests that guard it, the quickest first; the module's own examples come before them."""

HARMLESS: dict[str, str] = {
    "pipeline/methods/errors.py: apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) + 0.0 -> "
    "apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) - 0.0 in "
    "apart = apart * np.where(np.take_along_axis(apart, most, axis=1) < 0, -1.0, 1.0) + 0.0": "the sign of a zero",
    "pipeline/methods/errors.py: 0.0 -> 1.0 in weight = np.where(group >= 0, cell_area_m2 * se / MM_PER_M, 0.0)": "weights outside "
    "all groups are summed nowhere; they only must not be missing",
    "pipeline/swe_map.py: fields[\"cell_area\"].to_numpy() > 0 -> fields['cell_area'].to_numpy() >= 0 in "
    'grid, window = inputs.grid.window(fields["cell_area"].to_numpy() > 0)': "outside the basin the published area is missing and never 0",
    "pipeline/outputs/archive.py: 0o222 -> 147 in path.chmod(path.stat().st_mode & ~0o222)": "no published file is a program, so that "
    "nobody has a right to run it that could be lost",
    "pipeline/measurements/course_checks.py: 0 -> 1 in if np.isfinite(expected.near) and swe > 0:": "1 mm of SWE and less is never "
    "far off: its reading error alone is twelve times as much",
    "pipeline/measurements/own_series_checks.py: 2000 -> 2001 in SEEN_BACK = 2000": "the last good reading before a spike lies within "
    "hours of it, never so many readings back",
}
"""Survivors that no test should kill: by what the trial prints of them after the line number, the reason."""
