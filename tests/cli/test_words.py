"""What the command line prints: others' words as they are, and figures in the settings' units."""

import pytest
from rich.table import Table
from rich.text import Text

from snowtally.cli.base import print_tables
from snowtally.cli.past import changes_text
from snowtally.cli.values import figure, label, volume
from snowtally.publishing.changes import changes_in_words
from snowtally.report.units import METRIC, US

WORDS = ["Larkmoor [/upper]", "[upper]", "[bold]x[/bold]", "a [b", ":snowflake:", "[link=x]", "\\[x]"]


@pytest.mark.parametrize("words", WORDS)
def test_words_that_look_like_mark_up_are_printed_as_they_are(words, capsys):
    table = Table(words, title=words, title_justify="left")
    table.add_row(words)
    print_tables([words, Text(words, style="bold"), table])
    printed = capsys.readouterr().out
    assert printed.count(words) == 5


def test_volumes_have_about_three_digits_in_either_unit():
    assert [volume(m3, METRIC) for m3 in (143_779_730.0, 15_559_841.0, 1_559_841.0, 0.0)] == [
        "144",
        "15.6",
        "1.56",
        "0",
    ]
    # 143,779,730 m3 over 1233.48183755 m3 of an international acre-foot is 116,564.
    assert [volume(m3, US) for m3 in (143_779_730.0, 1_559_841.0, 15_598.0)] == ["117,000", "1,260", "12.6"]


def test_other_figures_and_their_units():
    assert [figure(254.0, units.swe) for units in (METRIC, US)] == ["254", "10.0"]
    assert figure(-12.7, US.swe, signed=True) == "-0.5"
    assert figure(2.58998811, US.area, finer=1) == "1.00"
    assert [label(unit) for unit in (METRIC.volume, METRIC.area, US.volume, US.area)] == [
        "million m3", "km2", "acre-feet", "sq mi",
    ]  # fmt: skip


CHANGES = {
    "settings": [{"key": "grid.cell_m", "was": 100, "is": 50}],
    "code": {"was": "0.1.0", "is": "0.2.0"},
    "rows": {
        "courses": {
            "came": 2, "went": 0, "changed": 1,
            "where": [{"site_id": "LC01", "start": "", "end": "", "came": 2, "went": 0, "changed": 1}],
        },
        "weather": {"came": 0, "went": 3, "changed": 0, "where": [{"site_id": ""}]},
        "stations": {"came": 6, "went": 0, "changed": 0, "where": [{"site_id": f"S{n}"} for n in range(6)]},
    },
    "grids": {"came": ["cover"], "went": [], "changed": ["terrain"]},
    "unreadable": ["normals"],
}  # fmt: skip


def test_what_changed_is_told_in_the_same_words_everywhere():
    lines = changes_in_words(CHANGES)
    assert lines == [
        "setting grid.cell_m: 100 to 50", "code: 0.1.0 to 0.2.0", "courses: 2 came, 1 changed (LC01)", "weather: 3 went",
        "stations: 6 came (6 sites)", "grid cover came", "grid terrain changed", "normals: no longer kept on both sides",
    ]  # fmt: skip
    assert changes_text(CHANGES) == "; ".join(lines)
    assert changes_text(None) == "first revision"
    nothing = {
        "settings": [],
        "code": None,
        "rows": {},
        "grids": {"came": [], "went": [], "changed": []},
        "unreadable": [],
    }
    assert changes_text(nothing) == "nothing"
