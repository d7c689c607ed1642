"""Course sheets of one visit, and stations around them, for tests of the course checks."""

import numpy as np
import pandas as pd
from clean_season import DAYS, sheet

from snowtally.courses.context import Neighbours
from snowtally.courses.limits import CourseLimits

LIMITS = CourseLimits()


def samples(density=300.0, n=8, **others):
    depth = 1.0 + 0.05 * np.arange(n)
    return sheet(depth, density * depth, **others)


def around(density, level_mm=200.0, change_mm=0.0):
    """Five stations and their snow; SWE changes evenly by `change_mm` in a month."""
    swe = level_mm + change_mm * np.arange(len(DAYS)) / 30.0
    daily = [
        pd.DataFrame({"site_id": f"S{i}", "date": DAYS, "swe_mm": swe, "depth_m": swe / density}) for i in range(5)
    ]
    return Neighbours(pd.Series({"C": 2000.0, **{f"S{i}": 2000.0 for i in range(5)}}), pd.concat(daily))


def rules(findings, *, aside=False):
    return sorted({finding.rule.name for finding in findings if not aside or finding.action == "set aside"})


def edited(made, row=3, **values):
    for name, value in values.items():
        made.loc[row, name] = value(made.loc[row]) if callable(value) else value
    return made
