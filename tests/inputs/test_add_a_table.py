"""An input table is added by its columns, one function that reads it, and its name where the tables are listed."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from snowtally.gather.day import OPTIONAL_TABLES
from snowtally.inputs.columns import Column, Table, check_declared
from snowtally.inputs.known_tables import TABLES
from snowtally.inputs.rows import dated_outside, keep_newest, rows_set_aside
from snowtally.inputs.source import Source
from snowtally.inputs.tables import read_tables
from snowtally.model.problems import SettingsError
from snowtally.model.rules.rule import Action, Rule, Severity
from snowtally.settings.blocks import Column as Declared
from snowtally.settings.blocks import Inputs

NOTES = Table(
    "notes",
    (
        Column("site_id", "site_id", kind="text", required=True),
        Column("date", "date", kind="date", required=True),
        Column("new_snow", "new_snow_cm", "cm", name="new_snow_m", factor=0.01),
        Column("note", "note", kind="text"),
    ),
)

NO_SUCH_SNOW = Rule(
    "no such snow", ("notes",), Severity.ERROR, Action.SET_ASIDE, "new snow below 0", message="new snow is not below 0"
)

SEASON = (dt.date(2030, 10, 1), dt.date(2031, 3, 5))

IN_INCHES = {"new_snow": Declared(column="New (in)", unit="inch")}


def read_notes(source):
    rows, findings = read_tables(source, NOTES)
    wrong = rows["new_snow_m"] < 0
    evidence = "new snow " + rows["new_snow_m"].map("{:g} m".format)
    findings += rows_set_aside(rows[wrong], NO_SUCH_SNOW, evidence=evidence, detail=NO_SUCH_SNOW.message)
    rows = rows[~wrong & rows["date"].notna() & ~dated_outside(rows, SEASON)]
    rows, repeated = keep_newest(rows.reset_index(drop=True), ["site_id", "date"], "notes")
    return rows, findings + repeated


@pytest.fixture
def source(tmp_path):
    """A file of notes with a unit, a code for no value, and bad rows."""
    path = tmp_path / "notes.csv"
    path.write_text(
        "site_id,date,New (in),note\n"
        "A,2031-03-01,4,windy\n"
        "B,2031-03-01,-99,-99\n"
        "B,2031-03-02,-3,calm\n"
        "C,soon,2,clear\n"
        "A,2031-03-01,5,much wind\n"
        "C,2031-03-09,6,of a later day\n",
        "utf-8",
    )
    return Source([path], IN_INCHES, ["-99"])


def test_a_table_is_read_with_its_unit_and_codes(source):
    rows, _ = read_notes(source)
    assert rows["site_id"].tolist() == ["B", "A"]
    assert rows["date"].tolist() == [pd.Timestamp(2031, 3, 1)] * 2
    assert rows["line"].tolist() == [3, 6]
    assert np.isnan(rows["new_snow_m"][0])
    assert rows["new_snow_m"][1] == pytest.approx(5 * 0.0254)
    assert rows["note"].tolist() == ["", "much wind"]


def test_each_bad_row_is_a_finding_by_file_and_line(source):
    _, findings = read_notes(source)
    (path,) = source.files
    assert {(one.table, one.file) for one in findings} == {("notes", str(path))}
    assert [(one.line, one.rule.name, one.action, one.evidence) for one in findings] == [
        (5, "unreadable value", "set aside", "date = 'soon'"),
        (4, "no such snow", "set aside", "new snow -0.0762 m"),
        (2, "duplicate", "set aside", f"same site_id, date in {path}, line 6"),
    ]


def test_its_columns_may_be_declared_once_it_is_listed():
    with pytest.raises(SettingsError, match=r"columns\.notes: there is no such table"):
        check_declared({"notes": IN_INCHES}, TABLES)
    check_declared({"notes": IN_INCHES}, [*TABLES, NOTES])


def test_the_settings_have_a_key_for_each_listed_table_and_no_other():
    assert list(Inputs.model_fields) == ["sites", *OPTIONAL_TABLES]


@pytest.mark.parametrize("role", OPTIONAL_TABLES)
def test_each_optional_table_may_be_one_path_or_several(role):
    for given in ("a.csv", ["a.csv"]):
        assert getattr(Inputs.model_validate({"sites": "s.csv", role: given}), role) == ["a.csv"]
