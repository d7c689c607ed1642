"""Findings on a table's header, lines and values."""

from __future__ import annotations

import re
from dataclasses import replace

from snowtally.inputs.columns import Column, plain_header
from snowtally.inputs.headers import FieldMap
from snowtally.inputs.lines import BadLine, LineKind
from snowtally.inputs.printable import header_list, printable
from snowtally.inputs.sheets import Sheet
from snowtally.model.problems import Finding
from snowtally.model.rules import files as rules

SHOWN_OF_VALUE = 40
"""Characters of an unreadable value that a finding shows (chosen; shows in messages alone)."""


def findings_above(field_map: FieldMap) -> list[Finding]:
    """Return the findings on lines above the header."""
    above = [
        BadLine(line.line, line.lines, "stands above the header", line.text, LineKind.NOTE) for line in field_map.above
    ]
    return [line_finding(field_map, bad, field_map.begins) for bad in joined(above)]


def header_findings(field_map: FieldMap) -> list[Finding]:
    """Return the findings on a file's header."""
    table, findings = field_map.table, _renamed(field_map)
    for keys in table.expects:
        if set(keys) & field_map.keys:
            continue
        wanted = " or ".join(column.header for column in table.columns if column.key in keys)
        findings.append(
            Finding(
                rules.NO_SUCH_COLUMN,
                table.role,
                str(field_map.path),
                field_map.first_line - 1,
                evidence=f"no {wanted}",
                detail=rules.NO_SUCH_COLUMN.says(headers=header_list(field_map.layout.headers), role=table.role),
            )
        )
    return findings


def of_sheet(findings: list[Finding], sheet: Sheet | None) -> list[Finding]:
    """Return the findings on one of several sheets, with its name and its own number of the row.

    Those on the whole sheet have the number of its beginning: without one they would be of the whole file.
    """
    if sheet is None or not sheet.lines_before:
        return findings
    name, before = f"sheet {printable(sheet.name)}", sheet.lines_before
    return [
        replace(
            finding,
            line=finding.line or before + 1,
            evidence=", ".join(
                filter(None, [finding.evidence, f"{name} row {finding.line - before}" if finding.line else name])
            ),
        )
        for finding in findings
    ]


def _renamed(field_map: FieldMap) -> list[Finding]:
    """Return a finding for each missing column whose words an unread header holds."""
    table, findings = field_map.table, []
    if not field_map.headers:
        return []
    read = {plain_header(header) for header in field_map.headers.values()}
    read |= {plain_header(column.header) for column in table.columns}
    unread = [header for header in field_map.layout.headers if plain_header(header) not in read]
    for column in table.columns:
        like = [header for header in unread if any(word in plain_header(header) for word in column.words)]
        if like and column.key not in field_map.keys:
            detail = rules.COLUMN_NOT_RECOGNISED.says(header=column.header, role=table.role, key=column.key)
            findings.append(
                Finding(
                    rules.COLUMN_NOT_RECOGNISED,
                    table.role,
                    str(field_map.path),
                    field_map.first_line - 1,
                    evidence=f"no {column.header}, but {header_list(like)}",
                    detail=detail,
                )
            )
    return findings


def joined(bad: list[BadLine]) -> list[BadLine]:
    """Return bad lines, neighbours with the same trouble as one."""
    out: list[BadLine] = []
    for line in bad:
        if out and (out[-1].why, out[-1].kind) == (line.why, line.kind) and out[-1].line + out[-1].lines == line.line:
            out[-1] = replace(out[-1], lines=out[-1].lines + line.lines)
        else:
            out.append(line)
    return out


def line_finding(field_map: FieldMap, bad: BadLine, start: int) -> Finding:
    """Return the finding on lines that are no row.

    `start` is the line where the piece begins.
    """
    first, last = start + bad.line, start + bad.line + bad.lines - 1
    rule = _RULES[bad.kind]
    lines = f"line {first}" if bad.lines == 1 else f"lines {first} to {last}"
    return Finding(
        rule,
        field_map.table.role,
        str(field_map.path),
        first,
        evidence=f"{lines}: {printable(bad.text)}",
        detail=rule.says(why=bad.why),
    )


_RULES = {
    LineKind.UNREADABLE: rules.UNREADABLE_LINE,
    LineKind.NOTE: rules.LINE_BESIDE_HEADER,
    LineKind.SUMMARY: rules.SUMMARY_ROW,
}
"""The rule that each kind of line breaks."""


def value_finding(field_map: FieldMap, line: int, column: Column, text: str, day: str) -> Finding:
    """Return the finding on a value that could not be read."""
    return Finding(
        rules.UNREADABLE_VALUE,
        field_map.table.role,
        str(field_map.path),
        line,
        start=day,
        end=day,
        evidence=said_value(field_map, column, text, ""),
        detail=what_is_wanted(column, [text], field_map),
    )


def said_value(field_map: FieldMap, column: Column, text: str, station: str) -> str:
    """Return what stands at a value, and under which header where that is another than the canonical one."""
    said = f"{column.header} = {printable(text[:SHOWN_OF_VALUE])}"
    header = field_map.header_of(column.key, station)
    is_plain = plain_header(header) in ("", plain_header(column.header), plain_header(station))
    return said if is_plain else f"{said} under {printable(header)}"


def what_is_wanted(column: Column, texts: list[str], field_map: FieldMap) -> str:
    """Return what a column's values must be, and what to do."""
    role = field_map.table.role
    other = {".": ",", ",": "."}.get(field_map.writing.decimal, "")
    if column.kind == "number" and texts and other and re.fullmatch(rf"[+-]?\d+{re.escape(other)}\d+", texts[0]):
        return (
            f"{column.header} must be a number with the decimal mark '{field_map.writing.decimal}'; if '{other}' is the mark here, "
            f"declare it as decimal under formats.{role}"
        )
    if column.letters:
        return (
            f"{column.header} must be degrees such as 46.2083 or 46°12.5'{column.letters[0]} ({' or '.join(column.letters)}); mend the file, "
            f"or declare its unit under columns.{role} or its coordinate system under formats.{role}.crs"
        )
    wants = {"number": "a number", "date": "a date such as 2031-03-01", "time": "a time such as 2031-03-01T06:00-02:00"}
    how = f"; if its dates are written otherwise, declare dates under formats.{role}" if column.kind != "number" else ""
    return f"{column.header} must be {wants[column.kind]}{how}; mend the file or list the code under missing: in the settings"
