"""Mutations of the tables: their lines, columns and cells."""

from __future__ import annotations

import csv
import io
import random
from pathlib import Path

from mutation_kinds import DATE, SETTINGS, TABLES, mutation

ODD_NUMBERS = (
    "1e308", "-1e308", "1e999", "nan", "NaN", "inf", "-inf", "Infinity", "1e-320", "-0", "99999999999999999999", "0x1F", "1_000",
    "1,5", "1.2.3", "--5", "½", "٣", "1e", "", " ", "-9999", "9" * 400, "1e5", "-1",
)  # fmt: skip
ODD_DATES = (
    "0001-01-01", "9999-12-31", "0000-00-00", "2031-02-30", "2031-13-01", "2031-03-05T24:00", "9999-12-31T23:59+14:00",
    "0001-01-01T00:00-14:00", "2031-03-05T25:61:61Z", "20310305", "2031-W10-3", "31-3-5", "-2031-03-05", "12031-03-05", "now", "NaT",
    "2031-03-05T06:00:00.000000000000001Z", "2031-03-05T06:00+99:99", "1677-09-20", "2262-04-12", "2031-03-05 06:00 America/Nowhere",
)  # fmt: skip
ODD_TEXTS = (
    "\x1b[31mred\x1b[0m", "\x1b]0;title\x07", "a\tb", "a\rb", "a\u2028b", "\u202egnp", "=1+1", "=cmd|' /C calc'!A0", "@SUM(A1)", "-2+3",
    "x" * 100_000, "'", '"', "[bold]x[/bold]", "[/]", "{{7*7}}", "<script>alert(1)</script>", "../../../etc/passwd", "%s%n", "\x85",
    "\x9b31m", "é" * 3000, "\u0000", "\ufeff", "r²", "CON", "..", "/", "S0/../S1", ":emoji:", "a\nb",
)  # fmt: skip
_WHERE_DATES = {"date", "time", "start", "end", "when", "issued", "day", "from", "until", "nominal_date"}
_WHERE_TEXTS = {
    "site_id",
    "name",
    "kind",
    "flight_id",
    "variable",
    "path",
    "action",
    "who",
    "why",
    "period",
    "sampler",
    "remark",
}


def rows_of(path: Path) -> list[list[str]]:
    """Return a table's fields, the header first."""
    return list(csv.reader(io.StringIO(path.read_text("utf-8"))))


def write_rows(path: Path, rows: list[list[str]]) -> None:
    """Write a table's fields."""
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)


def any_table(chance: random.Random, home: Path) -> Path:
    """Return a table drawn among all."""
    return home / chance.choice(TABLES)


@mutation("lines lost, doubled or moved", 2.0)
def _lines(chance: random.Random, home: Path) -> None:
    path = any_table(chance, home)
    lines = path.read_text("utf-8").splitlines(keepends=True)
    for _ in range(chance.choice((1, 2, 5))):
        place = chance.randrange(len(lines))
        match chance.randrange(5):
            case 0 if len(lines) > 1:
                del lines[place]
            case 1:
                lines.insert(chance.randrange(len(lines) + 1), lines[place])
            case 2:
                lines = lines[place:] + lines[:place]
            case 3:
                lines[place] = lines[place].rstrip("\n")
            case _:
                lines[place] = lines[place] * chance.choice((2, 3000))
    path.write_text("".join(lines), "utf-8")


@mutation("columns lost, doubled or moved", 2.0)
def _columns(chance: random.Random, home: Path) -> None:
    path = any_table(chance, home)
    rows = rows_of(path)
    place, by = chance.randrange(len(rows[0])), chance.randrange(1, len(rows[0]))
    match chance.randrange(5):
        case 0:
            rows = [row[:place] + row[place + 1 :] for row in rows]
        case 1:
            rows = [row[:place] + row[place : place + 1] + row[place:] for row in rows]
        case 2:
            rows = [rows[0], *(row[by:] + row[:by] for row in rows[1:])]
        case 3:
            rows[0] = rows[0][by:] + rows[0][:by]
        case 4:
            rows = [row + row * chance.choice((1, 300)) for row in rows]
    write_rows(path, rows)


@mutation("odd header")
def _header(chance: random.Random, home: Path) -> None:
    path = any_table(chance, home)
    rows = rows_of(path)
    rows[0][chance.randrange(len(rows[0]))] = chance.choice((*ODD_TEXTS, "", rows[0][0], rows[0][-1].upper()))
    write_rows(path, rows)


def spoil_cells(chance: random.Random, path: Path, values: tuple[str, ...], wanted) -> None:
    """Put odd values into some cells, or a whole column, of the columns wanted."""
    rows = rows_of(path)
    columns = [n for n, name in enumerate(rows[0]) if wanted(name)] or list(range(len(rows[0])))
    column, value = chance.choice(columns), chance.choice(values)
    chosen = range(1, len(rows))
    if chance.random() < 0.6:
        chosen = [chance.randrange(1, len(rows)) for _ in range(chance.choice((1, 3)))]
    for row in chosen:
        rows[row][column] = value
    write_rows(path, rows)


@mutation("odd numbers", 3.0)
def _numbers(chance: random.Random, home: Path) -> None:
    spoil_cells(chance, any_table(chance, home), ODD_NUMBERS, lambda name: name not in _WHERE_DATES | _WHERE_TEXTS)


@mutation("odd dates", 3.0)
def _dates(chance: random.Random, home: Path) -> None:
    spoil_cells(chance, any_table(chance, home), ODD_DATES, lambda name: name in _WHERE_DATES)


@mutation("odd texts, control characters", 3.0)
def _texts(chance: random.Random, home: Path) -> list[str] | None:
    spoil_cells(chance, any_table(chance, home), ODD_TEXTS, lambda name: name in _WHERE_TEXTS)
    return ["update", SETTINGS, "--date", DATE] if chance.random() < 0.2 else None


@mutation("dates moved by years")
def _years(chance: random.Random, home: Path) -> list[str]:
    """The whole basin's files speak of another year: what is asked for lies where clocks and calendars end."""
    year = chance.choice(("0001", "0002", "1677", "1900", "2262", "9998", "9999"))
    for name in TABLES:
        text = (home / name).read_text("utf-8")
        (home / name).write_text(text.replace("2031-", f"{year}-").replace("2030-", f"{int(year) - 1:04d}-"), "utf-8")
    return [
        chance.choice(("check", "update")),
        SETTINGS,
        "--date",
        f"{year}-{chance.choice(('01-01', '03-05', '12-31'))}",
    ]
