"""The table of rules: every finding is made from a row, every row makes one, and what archives hold is read back."""

import ast
from pathlib import Path

import make_checks
import pytest

from snowtally.model.problems import FINDING_COLUMNS, Finding, findings_table
from snowtally.model.rules import table
from snowtally.model.rules.rule import Action, Rule, Severity

PIPELINE = Path(make_checks.__file__).resolve().parents[1] / "pipeline"
HOME = PIPELINE / "model" / "rules"
ROWS = [(name, rule) for subject in table.SUBJECTS for name, rule in table.rows_of(subject).items()]
MODULES = [path for path in sorted(PIPELINE.rglob("*.py")) if not path.is_relative_to(HOME)]


def calls(path):
    return [node for node in ast.walk(ast.parse(path.read_text("utf-8"))) if isinstance(node, ast.Call)]


def test_the_page_has_the_tables_of_the_code():
    assert make_checks.PAGE.read_text("utf-8") == make_checks.page(), "run: python docs/make_checks.py"
    assert all(f"`{rule.name}`" in make_checks.page() for _, rule in ROWS)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PIPELINE)))
def test_no_finding_has_a_rule_without_a_row(path):
    for call in calls(path):
        name = ast.unparse(call.func).rpartition(".")[2]
        keywords = {keyword.arg for keyword in call.keywords}
        assert name != "Rule", f"line {call.lineno}: a rule is a row of pipeline/model/rules"
        if name in ("Finding", "replace", "row_findings", "sheet_finding", "tell"):
            assert not keywords & {"severity", "action", "degrades"}, f"line {call.lineno}: these are the rule's"
        given = [*call.args[:1], *(keyword.value for keyword in call.keywords if keyword.arg == "rule")]
        if name == "Finding":
            assert given, f"line {call.lineno}: a finding needs its rule"
            assert not any(isinstance(value, ast.Constant | ast.JoinedStr) for value in given), f"line {call.lineno}"


def test_every_row_makes_findings():
    used = set()
    for path in [*MODULES, HOME / "before.py"]:
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Attribute):
                used.add(node.attr)
            elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and path.parent != HOME:
                used.add(node.id)
    assert not [name for name, _ in ROWS if name not in used]


@pytest.mark.parametrize(("name", "rule"), ROWS, ids=[name for name, _ in ROWS])
def test_a_row_says_what_breaks_it_and_why(name, rule):
    assert rule.name == rule.name.strip() != ""
    assert rule.looks_at, name
    assert rule.why, name
    assert rule.source, name
    assert isinstance(rule.severity, Severity)
    assert isinstance(rule.action, Action)
    # The cell of a table ends at an upright line.
    assert "|" not in f"{rule.looks_at}{rule.why}{rule.source}{rule.done}"


def test_rows_of_one_name_degrade_alike():
    by_name = {}
    for _, rule in ROWS:
        by_name.setdefault(rule.name, set()).add(rule.degrades)
    assert not {name for name, ways in by_name.items() if len(ways) > 1}


@pytest.mark.parametrize(("name", "rule"), ROWS, ids=[name for name, _ in ROWS])
def test_a_finding_is_read_back_as_it_was_published(name, rule):
    role = (*rule.tables, "stations")[0]
    finding = Finding(rule, role, f"{name}.csv", 3, "S1", "2031-03-01", "2031-03-02", "12 mm", "look")
    again = Finding.from_plain(finding.plain())
    assert again.plain() == finding.plain()
    assert (again.severity, again.action, again.degrades) == (finding.severity, finding.action, finding.degrades)
    published = findings_table([finding])
    assert published.columns.tolist() == FINDING_COLUMNS
    assert published.iloc[0].to_dict() == finding.plain()
    assert type(published["severity"].iloc[0]) is str


def test_a_rule_of_an_earlier_version_is_read_by_its_name():
    plain = Finding(table.rules()[0], "stations").plain() | {"rule": "frozen pillow", "severity": "note"}
    again = Finding.from_plain(plain)
    assert again.plain() == plain
    assert not again.degrades


def test_a_finding_takes_table_and_message_from_its_rule():
    rule = Rule("deep", ("courses",), Severity.NOTE, Action.USED, "depth", message="look at the stake")
    assert Finding(rule) == Finding(rule, "courses", detail="look at the stake")
    with pytest.raises(ValueError, match="needs its table"):
        Finding(Rule("deep", (), Severity.NOTE, Action.USED, "depth"))


@pytest.mark.parametrize("emptied", ["detail", "table"])
def test_a_published_finding_with_an_empty_cell_is_read_back_as_it_was(emptied):
    plain = Finding(table.files.MISSING_FILE, "courses", "c.csv", detail="it is not there").plain() | {emptied: ""}
    assert Finding.from_plain(plain).plain() == plain


def test_a_rule_published_with_another_severity_degrades_as_its_name_does():
    row = table.rule_of("refused flight", "flights", "warning", "set aside")
    assert row.degrades == table.degradations()["refused flight"]
