"""Which modules are mutated, which tests guard each, and which survivors are no loss and why."""

SUBJECTS = {
    "pipeline/methods/totals.py": ["tests/methods/test_totals.py"],
    "pipeline/methods/intervals.py": ["tests/methods/test_intervals.py"],
    "pipeline/methods/errors.py": ["tests/methods/test_errors.py"],
    "pipeline/methods/area_sums.py": ["tests/methods/test_area_sums.py", "tests/methods/test_errors.py"],
    "pipeline/swe_map.py": ["tests/basin/test_headline_figures.py", "tests/test_estimate.py"],
    "pipeline/outputs/archive.py": ["tests/outputs/test_archive.py", "tests/outputs/test_crashes.py"],
    "pipeline/outputs/staging.py": ["tests/outputs/test_crashes.py", "tests/outputs/test_archive.py"],
    "pipeline/outputs/derived.py": ["tests/outputs/test_archive.py", "tests/outputs/test_reading.py"],
    "pipeline/measurements/course_checks.py": [
        "tests/measurements/test_course_checks.py",
        "tests/measurements/test_course_faults.py",
    ],
    "pipeline/measurements/own_series_checks.py": ["tests/measurements/test_station_checks.py"],
    "pipeline/measurements/neighbour_checks.py": ["tests/measurements/test_station_checks.py"],
}
"""For each module the tests that guard it, the quickest first; the module's own examples come before them."""

HARMLESS: dict[str, str] = {}
"""Survivors that no test should kill: by what the trial prints of them after the line number, the reason."""
