"""Failures that nobody foresaw, and texts of others: one line, a log that it names, no codes for terminals or spreadsheets."""

import importlib
import io
import json
from pathlib import Path

import pandas as pd
import pytest
from made_basin import snowtally, write_basin

from snowtally.cli.base import print_tables
from snowtally.publishing.tables import Column, csv_bytes, plain_csv, tidy
from snowtally.storage import failure_log
from snowtally.storage.csv_text import with_originals

RUN_BY_SPREADSHEETS = ["=1+1", "+A1", "-2+3", "@sum", "\tx", "\rx", "'=1", "''+1"]
PLAIN = ["LS10", "'quoted'", "a=b", ""]


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return write_basin(tmp_path)


def broken(*_words):
    raise KeyError("nobody foresaw\nthis")


@pytest.mark.parametrize("as_json", [False, True])
def test_unforeseen_trouble_is_one_line_that_names_the_log(home, monkeypatch, as_json):
    importlib.import_module("snowtally.operations.run")  # else it would take the broken one for good
    monkeypatch.setattr("snowtally.gather.day.read_inputs", broken)
    done = snowtally("check", home / "basin.yaml", "--date", "2031-03-05", *["--json"] * as_json)
    log = home / "state" / "snowtally" / "failures.log"
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert str(log) in done.stderr
    assert "Traceback" not in done.stdout + done.stderr
    assert "Traceback" in log.read_text()
    if as_json:
        assert str(log) in json.loads(done.stdout)["error"]


def test_the_log_is_put_aside_when_it_is_long_and_written_elsewhere_when_it_cannot_be(home, monkeypatch):
    log = home / "state" / "snowtally" / "failures.log"
    log.parent.mkdir(parents=True)
    log.write_bytes(b"x" * (failure_log.MOST_BYTES + 1))
    assert str(log) in failure_log.failure_line(KeyError("x"))
    assert log.stat().st_size < 10_000
    assert log.with_suffix(".log.1").stat().st_size > failure_log.MOST_BYTES
    # No folder can be made where a file is.
    monkeypatch.setenv("XDG_STATE_HOME", str(home / "sites.csv"))
    other = Path(failure_log.failure_line(KeyError("x")).split("The details are in ")[1].split(":")[0])
    assert "KeyError" in other.read_text()
    other.unlink()


def test_titles_are_printed_without_codes_for_the_terminal(home, capsys):
    text = (home / "basin.yaml").read_text().replace("title: Made basin", r'title: "Made \e[31m\a\u202E\u009B2J basin"')
    (home / "basin.yaml").write_text(text)
    done = snowtally("check", home / "basin.yaml", "--date", "2031-03-05")
    assert done.stdout.startswith("Made ?[31m??")
    assert not [c for c in done.stdout if c != "\n" and (ord(c) < 0x20 or 0x7F <= ord(c) < 0xA0 or ord(c) == 0x202E)]
    from rich.table import Table  # noqa: PLC0415

    table = Table("site")
    table.add_row("A\x1b[31mB")
    print_tables([table, "line \x07"])
    assert "\x1b" not in (out := capsys.readouterr().out)
    assert "A?[31mB" in out
    assert "line ?" in out


def test_no_spreadsheet_runs_a_text_and_readers_get_it_back():
    texts = RUN_BY_SPREADSHEETS + PLAIN
    table = pd.DataFrame({"site_id": texts, "value": [-1.0] * len(texts)})
    columns = (Column("site_id"), Column("value", "number", 1))
    for data in (csv_bytes(tidy(table, columns, "t"), columns), plain_csv(table)):
        read = pd.read_csv(io.BytesIO(data), dtype={"site_id": str}, keep_default_na=False)
        assert not [text for text in read["site_id"] if text[:1] and text[0] in "=+-@\t\r"]
        assert read["value"].tolist() == [-1.0] * len(texts)
        assert with_originals(read)["site_id"].tolist() == texts
