"""The table of rules: every row, and how a published name is read back."""

from __future__ import annotations

from functools import cache
from types import ModuleType

from snowtally.model.rules import before, courses, files, flights, sites, slips, stations
from snowtally.model.rules.rule import Action, Degrades, Rule, Severity

SUBJECTS = (files, slips, courses, sites, stations, flights, before)
"""The modules whose constants are the rows, in the order of docs/checks.md."""


def rows_of(subject: ModuleType) -> dict[str, Rule]:
    """Return the rows of a module by the name of their constant, in order."""
    return {name: value for name, value in vars(subject).items() if isinstance(value, Rule)}


@cache
def rules() -> tuple[Rule, ...]:
    """Return every row."""
    return tuple(rule for subject in SUBJECTS for rule in rows_of(subject).values())


def rule_of(name: str, table: str, severity: str, action: str) -> Rule:
    """Return the row that a published finding was made from.

    One that was published under a rule of an earlier version, which is a row no more, gets a row of its own without words.
    """
    for rule in rules():
        if (rule.name, rule.severity, rule.action) == (name, severity, action) and table in (rule.tables or (table,)):
            return rule
    return Rule(name, (table,), Severity(severity), Action(action), "", degrades=degradations().get(name))


@cache
def degradations() -> dict[str, Degrades]:
    """Return how each degrading rule degrades a night, by its published name."""
    return {rule.name: rule.degrades for rule in rules() if rule.degrades is not None}
