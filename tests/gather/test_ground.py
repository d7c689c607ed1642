"""A course file whose visits are mostly impossible degrades the night; one crew's slip does not."""

import pandas as pd
import pytest

from snowtally.gather.ground import files_set_aside
from snowtally.model.problems import Finding
from snowtally.model.rules.courses import UNITS_OF_ROW, UNITS_OF_SHEET


def checked(there, wrong):
    """Return so many visits of three samples each, the first ones wrong and out of use, and one visit of another file."""
    days = pd.date_range("2031-01-01", periods=there)
    rows = [
        {"site_id": "C1", "date": day, "file": "north.csv", "used": k >= wrong}
        for k, day in enumerate(days)
        for _ in range(3)
    ]
    table = pd.DataFrame([*rows, {"site_id": "C2", "date": days[0], "file": "south.csv", "used": True}])
    return table.assign(swe_mm=100.0, swe_used=True)


def said(count, rule=UNITS_OF_SHEET):
    """Return what the checks say of so many of these visits, a finding a visit."""
    days = pd.date_range("2031-01-01", periods=count).strftime("%Y-%m-%d")
    return [Finding(rule, "courses", "north.csv", site_id="C1", start=day, end=day) for day in days]


@pytest.mark.parametrize(
    ("there", "wrong", "degrades"), [(5, 3, True), (6, 3, False), (2, 2, False), (40, 40, True), (40, 1, False)]
)
def test_more_than_half_of_the_visits_and_three_degrade(there, wrong, degrades):
    found = files_set_aside(checked(there, wrong), said(wrong))
    assert [(one.file, one.rule.name, one.action) for one in found] == [
        ("north.csv", "few usable rows", "set aside")
    ] * degrades
    if degrades:
        assert found[0].evidence == f"{wrong} of {there} visits of the season are set aside as wrong"


def test_what_another_sheet_replaced_and_what_is_still_used_count_not():
    assert not files_set_aside(checked(4, 4), said(4, UNITS_OF_ROW))
    assert not files_set_aside(checked(4, 0), said(4))


def test_weights_lost_with_depths_kept_are_visits_lost():
    """Two mass columns exchanged: no weight can be used, and the depths alone are no snow course's visit."""
    table = checked(4, 0)
    table.loc[table["site_id"] == "C1", "swe_used"] = False
    assert len(files_set_aside(table, said(4))) == 1
    probes = table.assign(swe_mm=table["swe_mm"].where(table["site_id"] != "C1"))
    assert not files_set_aside(probes, said(4))
