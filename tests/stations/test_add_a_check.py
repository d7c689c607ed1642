"""A check of stations is added by one function and one row of the table of rules."""

import numpy as np
import pandas as pd

from snowtally.model.rules.rule import Action, Rule, Severity
from snowtally.sites.limits import SnowLimits
from snowtally.stations import checks
from snowtally.stations.checks import CHECKS, check_stations
from snowtally.stations.limits import StationLimits

ROUND = Rule(
    "round number",
    ("stations",),
    Severity.WARNING,
    Action.SET_ASIDE,
    "SWE of exactly 111 mm",
    "somebody typed it",
    message="look who wrote this reading",
)


def round_numbers(series, _against):
    series.tell(series.values["swe_mm"] == 111.0, "swe_mm", ROUND, evidence=lambda rows: f"{len(rows)} of 111 mm")


def records():
    days = pd.date_range("2031-01-01", periods=60).astype("datetime64[s]")
    swe = 100.0 + np.arange(60.0)
    return pd.DataFrame(
        {"site_id": "S", "time": days, "date": days, "swe_mm": swe, "depth_m": np.nan, "air_temperature_c": np.nan,
         "precipitation_mm": np.nan, "precipitation_total_mm": np.nan, "file": "s.csv", "line": np.arange(60) + 2}
    )  # fmt: skip


def test_one_function_and_one_row_add_a_check(monkeypatch):
    _, before = check_stations(records(), StationLimits(), SnowLimits())
    assert "round number" not in {finding.rule.name for finding in before}
    monkeypatch.setattr(checks, "CHECKS", (*CHECKS, round_numbers))
    checked, findings = check_stations(records(), StationLimits(), SnowLimits())
    (finding,) = [finding for finding in findings if finding.rule == ROUND]
    assert (finding.table, finding.line, finding.start) == ("stations", 13, "2031-01-12T00:00Z")
    assert (finding.evidence, finding.detail) == ("SWE: 1 of 111 mm (1 reading)", "look who wrote this reading")
    assert (finding.severity, finding.action) == ("warning", "set aside")
    assert checked["swe_mm"].isna().sum() == 1
