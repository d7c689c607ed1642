"""A section is added to a day's page as docs say: a template, and one line in the list of sections."""

from __future__ import annotations

import datetime as dt
import shutil

import pytest
from jinja2 import ChoiceLoader, DictLoader
from made_day import made_day
from made_pages import provenance

from snowtally.publishing.publish import publish
from snowtally.report import day_page, templating
from snowtally.report.day_sections import SECTIONS, Section, Shows
from snowtally.report.pages import make_day_page
from snowtally.report.published import read_day, read_days_around
from snowtally.report.units import METRIC

TEMPLATE = """{% import "parts.html.j2" as parts with context %}
<section aria-labelledby="highest"><h2 id="highest">The highest site</h2>
<p>{{ highest.site_id }}, {{ number(highest.elevation_m, u.elevation, of="elevation_m") }} {{ u.elevation.label }}.</p></section>
"""


def highest_site(shows):
    sites = shows.day.sites
    return {"highest": sites.loc[sites["elevation_m"].idxmax()].to_dict()}


@pytest.fixture
def one_day(tmp_path):
    publish(tmp_path, made_day("2031-03-01", height=8, width=9), provenance("a"))
    return tmp_path


def page_of(root):
    return make_day_page(root, "larkmoor", dt.date(2031, 3, 1), "metric").read_text("utf-8")


def test_a_section_is_added_by_a_template_and_one_line(one_day, monkeypatch):
    before = page_of(one_day)
    environment = templating._environment()
    more = DictLoader({"day/highest.html.j2": TEMPLATE})
    monkeypatch.setattr(environment, "loader", ChoiceLoader([environment.loader, more]))
    with monkeypatch.context() as patch:
        patch.setattr(day_page, "SECTIONS", [*SECTIONS, Section("highest", highest_site)])
        after = page_of(one_day)
    assert "The highest site" in after
    assert after.index('id="highest"') > after.index('id="record"')
    # Nothing else of the page changes but its contents.
    after = after.replace('<li><a href="#highest">The highest site</a></li>', "")
    start, end = (
        after.index('<section aria-labelledby="highest">'),
        after.index("</section>", after.index('id="highest"')),
    )
    assert after[:start] + after[end + len("</section>\n") :] == before
    assert page_of(one_day) == before


def test_each_section_has_a_template_of_its_own_and_each_template_a_section():
    folder = templating._FOLDER / "day"
    assert sorted(f"{section.name}.html.j2" for section in SECTIONS) == sorted(path.name for path in folder.iterdir())


def test_no_section_takes_a_name_of_the_page_or_of_another(one_day, monkeypatch):
    day = read_day(one_day, "larkmoor", dt.date(2031, 3, 1))
    around = read_days_around(day)
    names = [name for section in SECTIONS for name in section.content(Shows(day, around, METRIC))]
    monkeypatch.setattr(day_page, "SECTIONS", [])
    monkeypatch.setattr(day_page, "page", lambda _template, content: names.extend(content))
    day_page.day_page(day, around, METRIC, None)
    assert sorted(names) == sorted(set(names))


def test_compiled_templates_are_used_again_and_a_folder_that_cannot_be_written_does_no_harm(tmp_path, monkeypatch):
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    folder = tmp_path / "templates"
    shutil.copytree(templating._FOLDER, folder, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(templating, "_FOLDER", folder)
    made = templating._environment.__wrapped__().get_template("parts.html.j2")
    compiled = list((folder / "__pycache__").iterdir())
    assert compiled
    before = [path.stat().st_mtime_ns for path in compiled]
    again = templating._environment.__wrapped__().get_template("parts.html.j2")
    assert [path.stat().st_mtime_ns for path in compiled] == before
    assert made.module.__dict__.keys() == again.module.__dict__.keys()
    shutil.rmtree(folder / "__pycache__")
    (folder / "__pycache__").write_text("in the way")
    assert templating._environment.__wrapped__().get_template("parts.html.j2")
