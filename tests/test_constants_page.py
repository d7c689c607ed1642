"""docs/constants.md says what the code says; its figures are measured by docs/make_constants.py and not here."""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from snowtally.snow import site_values, snow_line, voids

ROOT = Path(__file__).parents[1]
MOST = 158
"""No more constants than there are, so that a new one takes the place of an old one; the aim is 120."""

ALONE = ("chosen", "trial worlds", "no source", "")


@pytest.fixture(scope="module")
def maker():
    spec = importlib.util.spec_from_file_location("make_constants", ROOT / "docs" / "make_constants.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # data classes look their module up
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def test_the_page_has_every_constant_as_the_code_has_it(maker):
    measured, others = maker.constants(), maker.other_constants()
    page = maker.PAGE.read_text("utf-8")
    made = maker.page(measured, others, maker.known_effects(measured))
    assert page == made, "run: python docs/make_constants.py --quick"


def test_there_are_no_more_constants_than_there_were(maker):
    assert 100 < len(maker.constants()) <= MOST


def test_every_constant_says_why_it_has_its_size(maker):
    every = [*maker.constants(), *maker.other_constants()]
    poor = [f"{one.module} {one.name}" for one in every if one.reason.rstrip(".").lower() in ALONE]
    assert poor == []


def test_constants_of_every_folder_are_on_the_page(maker):
    folders = {one.module.split(".")[0] for one in [*maker.constants(), *maker.other_constants()]}
    assert {"stations", "flows", "report", "inputs", "snow", "melt"} <= folders


@pytest.mark.parametrize(
    ("reason", "kind"),
    [
        ("Steps of a table. Accuracy and cost alone.", "accuracy and cost of the reckoning"),
        ("A spread (trial worlds: 0.4 to 0.6 are alike; common practice).", "trial"),
        ("A spread (15 to 30 %, common practice, no source).", "common practice"),
        ("Allen et al. 1998, FAO-56, eq. 21.", "published source"),
        ("A storm or two.", "reason"),
    ],
)
def test_what_sets_a_constant_is_read_in_its_text(maker, reason, kind):
    assert maker.Constant("some", ("A",), "1.0", reason).kind == kind


def test_the_page_counts_all_constants_and_those_that_no_publication_sets(maker):
    published = maker.Constant("some", ("A", "B"), "2.0, 3", "Sturm et al. 2010, Table 4.")
    ours = maker.Constant("some", ("C",), "{'a': -0.5}", "Why.")
    head = " ".join(maker.page([published, ours], [], {}).split("| set by |")[0].split())
    assert "There are 2, with 3 numbers" in head
    assert "sets there are 1." in head


def test_a_changed_value_loses_its_figures_and_others_keep_theirs(maker, tmp_path, monkeypatch):
    same = maker.Constant("some", ("SAME_M",), "2.0", "Why.")
    old, new = (maker.Constant("some", ("MOVED",), value, "Why.") for value in ("(1, 2)", "(1, 3)"))
    effects = {maker.key(same): "0.1 / -0.2 | +3.0 / ?", maker.key(old): "fails / 0.0 | fails / 0.0"}
    monkeypatch.setattr(maker, "PAGE", tmp_path / "constants.md")
    maker.PAGE.write_text(maker.page([same, old], [], effects), "utf-8")
    assert maker.known_effects([same, old]) == effects
    assert maker.known_effects([same, new]) == {maker.key(same): effects[maker.key(same)]}
    assert "| `SAME_M` | 2.0 | m | Why. | 0.1 / -0.2 | +3.0 / ? |" in maker.PAGE.read_text("utf-8")


def test_what_is_a_constant(maker, tmp_path):
    path = tmp_path / "some.py"
    path.write_text(
        'A, B = 1.0, 2\n"""Both."""\nC, D = range(3, 5)\nE = X[1:]\nF = "text"\nG: int = 4  # beside it\n\n\ndef g():\n    H = 3\n',
        "utf-8",
    )
    assert [(one.name, one.value, one.reason) for one in maker._of_module(path)] == [
        ("A, B", "1.0, 2", "Both."),
        ("G", "4", "beside it"),
    ]


def test_all_numbers_of_a_value_are_changed(maker):
    found = maker.scaled({"a": (2.0, 3), "b": np.array([1.0, -4.0])}, 0.5)
    assert found["a"] == (1.0, 2)
    assert found["b"].tolist() == [0.5, -2.0]


def test_a_constant_is_changed_wherever_it_was_taken_to(maker):
    before = site_values.UNOBSERVED_MM_PER_DAY, snow_line.UNOBSERVED_MM_PER_DAY

    def work():
        maker._replace("snow.carry", "UNOBSERVED_MM_PER_DAY", 0.5)
        return site_values.UNOBSERVED_MM_PER_DAY, snow_line.UNOBSERVED_MM_PER_DAY

    assert maker._apart(work) == (0.5 * before[0], 0.5 * before[1])

    def derived():
        maker._replace("snow.melting", "CELL_VARIATION", 0.5)
        return voids.VOID_SHARE

    assert maker._apart(derived) == pytest.approx(0.5 * voids.VOID_SHARE)
    after = site_values.UNOBSERVED_MM_PER_DAY, snow_line.UNOBSERVED_MM_PER_DAY
    assert after == before
