"""Published totals that jumped are marked whatever the order of publishing, and no mark outlives its cause."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from types import SimpleNamespace

import pytest
from made_day import made_day

from snowtally.cli.withdraw import withdraw
from snowtally.publishing.publish import publish
from snowtally.publishing.second_look import leaning, look_again, second_looks
from snowtally.report.pages import remake

MOST_SE = 2.0
"""Standard errors allowed. The made days' is a tenth of their mean SWE of about 250 mm: 300 mm more is a jump, 5 mm is none."""

JUMP_MM = 300.0


def day(number: int) -> dt.date:
    return dt.date(2031, 3, number)


@pytest.fixture
def put(tmp_path, provenance):
    """Publish a date's next revision with so much more snow and look at it again, as a night does."""
    made = itertools.count()

    def night(number: int, extra_mm: float) -> str:
        how = provenance(f"{next(made)}", command="rerun")
        publish(tmp_path, made_day(str(day(number)), height=8, width=9, extra_mm=extra_mm), how)
        return look_again(tmp_path, "larkmoor", day(number), MOST_SE)

    return night


@pytest.fixture
def take_back(tmp_path, monkeypatch, capsys):
    """Withdraw a revision by the command; return what it says."""
    settings = SimpleNamespace(
        archive_root=tmp_path, basin=SimpleNamespace(id="larkmoor"), report=SimpleNamespace(units="metric"), cache_folder=lambda name: tmp_path / ".cache" / name,
        operations=SimpleNamespace(gate=SimpleNamespace(most_se=MOST_SE)),
    )  # fmt: skip
    monkeypatch.setattr("snowtally.settings.basin.read_settings", lambda _: settings)

    def withdrawn(number: int, revision: int = 1) -> str:
        with pytest.raises(SystemExit) as end:
            withdraw(tmp_path, f"{day(number)}@{revision}", "wrong tare", as_json=True)
        assert end.value.code == 0
        told = json.loads(capsys.readouterr().out)
        assert told["page_troubles"] == []
        return told["second_look"]

    return withdrawn


def marked(root) -> dict[int, str]:
    """Return the days of March marked, each with the date that it was held against."""
    return {
        date.day: why.split(" since ")[1][:10].removeprefix("2031-03-")
        for date, why in second_looks(root, "larkmoor").items()
    }


ORDERS = [
    pytest.param(order, marks=[] if number in {0, 3} else pytest.mark.long)
    for number, order in enumerate(itertools.permutations([(5, 0.0), (6, JUMP_MM), (8, JUMP_MM + 5)]))
]


@pytest.mark.parametrize("order", ORDERS)
def test_the_order_of_publishing_does_not_matter(tmp_path, put, order):
    for number, extra_mm in order:
        put(number, extra_mm)
    assert marked(tmp_path) == {6: "05"}


def test_a_jump_is_told_to_the_night_that_made_it(put):
    assert put(5, 0.0) == ""
    assert put(6, JUMP_MM).startswith("jump of the total: ")


def test_a_mark_goes_with_what_it_was_held_against_and_comes_back(tmp_path, put, take_back):
    put(6, 0.0)
    put(7, JUMP_MM)
    assert marked(tmp_path) == {7: "06"}
    assert take_back(6) == ""
    assert marked(tmp_path) == {}
    # 06 holds nothing that stands: 07 is the next that does, and lies two days on.
    put(5, 0.0)
    assert marked(tmp_path) == {7: "05"}
    put(6, JUMP_MM + 5)
    assert marked(tmp_path) == {6: "05"}


def test_a_withdrawn_jump_leaves_what_stood_before_to_be_judged(tmp_path, put, take_back):
    put(5, 0.0)
    put(6, JUMP_MM)
    put(6, 5.0)
    assert marked(tmp_path) == {}
    assert take_back(6, 2).startswith("jump of the total: ")
    assert marked(tmp_path) == {6: "05"}
    assert json.loads((tmp_path / "larkmoor" / "second_look.json").read_text("utf-8"))["2031-03-06"]["revision"] == 1


def test_a_week_apart_is_the_farthest(tmp_path, put):
    put(1, 0.0)
    put(8, JUMP_MM)
    put(16, 0.0)
    assert marked(tmp_path) == {8: "01"}
    assert leaning(tmp_path, "larkmoor", day(1)) == [day(8)]
    assert leaning(tmp_path, "larkmoor", day(8)) == []


@pytest.mark.parametrize("apart", [pytest.param(2, marks=pytest.mark.long), 3, pytest.param(6, marks=pytest.mark.long)])
def test_the_page_of_a_later_date_tells_its_second_look_as_it_is_now(tmp_path, put, take_back, apart):
    page = tmp_path / "larkmoor" / str(day(1 + apart)) / "report.html"
    put(1 + apart, JUMP_MM)
    remake(tmp_path, "larkmoor", day(1 + apart), "metric")
    assert "jump of the total" not in page.read_text("utf-8")
    put(1, 0.0)
    remake(tmp_path, "larkmoor", day(1), "metric")
    assert "jump of the total" in page.read_text("utf-8")
    take_back(1)
    assert "jump of the total" not in page.read_text("utf-8")
