"""Make the tables of docs/checks.md from the table of rules: `python docs/make_checks.py`.

The text around the tables is written by hand.
"""

from __future__ import annotations

import re
from pathlib import Path
from types import ModuleType

from snowtally.model.rules import table
from snowtally.model.rules.rule import DEFINITION, Rule

PAGE = Path(__file__).with_name("checks.md")
MADE = re.compile(r"(<!-- rules of (\w+): made by docs/make_checks.py -->\n).*?(<!-- end of rules -->)", re.DOTALL)
HEAD = ["| rule | what breaks it | reason (source) | severity | what is done |", "| --- | --- | --- | --- | --- |"]


def page() -> str:
    """Return the page with the tables of today."""
    subjects = {subject.__name__.rpartition(".")[2]: subject for subject in table.SUBJECTS}
    return MADE.sub(
        lambda found: f"{found[1]}{drawn(subjects[found[2]])}\n{found[3]}",
        PAGE.read_text("utf-8"),
    )


def drawn(subject: ModuleType) -> str:
    """Return the rules of a subject as a table in Markdown, cases of one rule that differ in words alone as one row."""
    cases: dict[tuple[str, str, str], list[Rule]] = {}
    for rule in table.rows_of(subject).values():
        cases.setdefault((rule.name, rule.looks_at, rule.why), []).append(rule)
    return "\n".join([*HEAD, *(_row(rules) for rules in cases.values())])


def _row(rules: list[Rule]) -> str:
    first = rules[0]
    done = first.done or " or ".join(dict.fromkeys(rule.action.value for rule in rules))
    cells = [
        f"`{first.name}`",
        first.looks_at,
        f"{first.why} ({first.source})" if first.source != DEFINITION else first.why,
        " or ".join(dict.fromkeys(rule.severity.value for rule in rules)),
        done if first.degrades is None else f"{done}; the night is degraded",
    ]
    return f"| {' | '.join(cells)} |"


if __name__ == "__main__":
    PAGE.write_text(page(), "utf-8")
