"""Ways to lose or damage an input, each a change of the demo basin's files, and what hangs on it.

A loss is written as what happens to a user's files, without a look at how the program reads them.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import yaml

FILE, PAST, SLIP, SAID = "file", "past", "slip", "said"
"""What can tell a loss: FILE: the file itself shows it, so a new archive must know too. PAST: only what an earlier night
read shows it. SLIP: a value that a person might have meant; it may replace what was published as long as the volume stays.
SAID: what the user says in the settings or the table has changed, and is followed; recorded, and held against no bar."""


@dataclass(frozen=True)
class Loss:
    """One way to lose an input.

    Parameters
    ----------
    name : what is lost and how, as `TABLE-HOW`.
    damage : changes the files in the folder that it is given.
    told_by : FILE, PAST, SLIP or SAID.
    why : the reasoning where `told_by` is not plain.
    """

    name: str
    damage: Callable[[Path], None]
    told_by: str
    why: str = ""


LOSSES: dict[str, Loss] = {}


def loss(name: str, told_by: str, why: str = "") -> Callable[[Callable[[Path], None]], Callable[[Path], None]]:
    """Note a function as the damage of a loss."""

    def noted(damage: Callable[[Path], None]) -> Callable[[Path], None]:
        if name in LOSSES:
            raise ValueError(f"two losses are named {name}")
        LOSSES[name] = Loss(name, damage, told_by, why)
        return damage

    return noted


def add(name: str, told_by: str, damage: Callable[[Path], None], why: str = "") -> None:
    """Note a loss whose damage is one of the common ones."""
    loss(name, told_by, why)(damage)


SETTINGS = "basin.yaml"


def set_input(home: Path, **entries: object) -> None:
    """Change entries of the settings: `inputs.sites` is written as inputs__sites; None takes an entry away."""
    path = home / SETTINGS
    content = yaml.safe_load(path.read_text("utf-8"))
    for name, value in entries.items():
        *parents, key = name.split("__")
        within = content
        for parent in parents:
            within = within.setdefault(parent, {})
        if value is None:
            within.pop(key, None)
        else:
            within[key] = value
    path.write_text(yaml.safe_dump(content, sort_keys=False), "utf-8")


# ---- what happens to any file


def gone(name: str) -> Callable[[Path], None]:
    """The file is missing."""
    return lambda home: (home / name).unlink()


def emptied(name: str) -> Callable[[Path], None]:
    """The file has no bytes."""
    return lambda home: (home / name).write_bytes(b"")


def cut(name: str, share: float = 0.5) -> Callable[[Path], None]:
    """The file ends after a share of its bytes, as a copy that broke off."""

    def damage(home: Path) -> None:
        data = (home / name).read_bytes()
        (home / name).write_bytes(data[: int(share * len(data))])

    return damage


# ---- what happens to a table


def lines_of(path: Path) -> list[str]:
    """Return a table's lines, the header first."""
    return path.read_text("utf-8").splitlines()


def write_lines(path: Path, lines: list[str], end: str = "\n") -> None:
    """Write a table's lines."""
    path.write_bytes("".join(line + end for line in lines).encode())


def header_only(name: str) -> Callable[[Path], None]:
    """The table's rows are gone, its header stands."""
    return lambda home: write_lines(home / name, lines_of(home / name)[:1])


def first_lines(name: str, share: float) -> Callable[[Path], None]:
    """The table ends after a share of its lines, at a line's end."""

    def damage(home: Path) -> None:
        lines = lines_of(home / name)
        write_lines(home / name, lines[: 1 + int(share * (len(lines) - 1))])

    return damage


def edited(name: str, edit: Callable[[pd.DataFrame], pd.DataFrame | None]) -> Callable[[Path], None]:
    """The table's texts are changed: `edit` gets them all as text, and changes them or returns others."""

    def damage(home: Path) -> None:
        table = read_texts(home / name)
        changed = edit(table)
        (table if changed is None else changed).to_csv(home / name, index=False)

    return damage


def read_texts(path: Path) -> pd.DataFrame:
    """Return a table whose cells are the texts of the file."""
    return pd.read_csv(path, dtype="str", keep_default_na=False)


def scaled(name: str, column: str, factor: float) -> Callable[[Path], None]:
    """A column's numbers are in another unit."""

    def edit(table: pd.DataFrame) -> None:
        numbers = pd.to_numeric(table[column], errors="coerce")
        table[column] = [
            text if pd.isna(number) or number == -9999 else f"{number * factor:.6g}"
            for text, number in zip(table[column], numbers, strict=True)
        ]

    return edited(name, edit)


def renamed(name: str, **headers: str) -> Callable[[Path], None]:
    """Columns have other headers."""
    return edited(name, lambda table: table.rename(columns=headers))


def emptied_column(name: str, column: str, code: str = "") -> Callable[[Path], None]:
    """A column says nothing in any row, or the code for nothing."""
    return edited(name, lambda table: table.assign(**{column: code}))


def without_rows(name: str, lost: Callable[[pd.DataFrame], pd.Series]) -> Callable[[Path], None]:
    """The rows that `lost` marks are gone."""
    return edited(name, lambda table: table[~lost(table)])


def decimal_commas(name: str) -> Callable[[Path], None]:
    """Saved by a spreadsheet that writes semicolons between fields and commas in numbers."""

    def damage(home: Path) -> None:
        table = read_texts(home / name)
        number = table.apply(lambda column: pd.to_numeric(column, errors="coerce").notna())
        table = table.mask(number, table.apply(lambda column: column.str.replace(".", ",")))
        table.to_csv(home / name, sep=";", index=False)

    return damage


def separated_by(name: str, separator: str) -> Callable[[Path], None]:
    """Written with another separator."""
    return lambda home: read_texts(home / name).to_csv(home / name, sep=separator, index=False)


def mixed_line_ends(name: str) -> Callable[[Path], None]:
    """The second half of the lines end with a carriage return alone, the first with a line feed."""

    def damage(home: Path) -> None:
        lines = lines_of(home / name)
        half = len(lines) // 2
        text = "".join(line + "\n" for line in lines[:half]) + "\r".join(lines[half:]) + "\r"
        (home / name).write_bytes(text.encode())

    return damage


def utf_16_unsaid(name: str) -> Callable[[Path], None]:
    """Saved as UTF-16 without the mark that says so."""
    return lambda home: (home / name).write_bytes((home / name).read_text("utf-8").encode("utf-16-le"))


def nul_tail(name: str) -> Callable[[Path], None]:
    """The second half of the file is NUL bytes, as after a crash of the machine."""

    def damage(home: Path) -> None:
        data = (home / name).read_bytes()
        half = len(data) // 2
        (home / name).write_bytes(data[:half] + bytes(len(data) - half))

    return damage


def day_and_month_swapped(name: str, column: str) -> Callable[[Path], None]:
    """Dates have their day where the month belongs."""
    return edited(
        name,
        lambda table: table.assign(
            **{column: table[column].str.replace(r"^(\d{4})-(\d\d)-(\d\d)", r"\1-\3-\2", regex=True)}
        ),
    )


def other_spelling(name: str) -> Callable[[Path], None]:
    """Identifiers of sites are spelled with a hyphen."""
    return edited(name, lambda table: table.assign(site_id=table["site_id"].str[:2] + "-" + table["site_id"].str[2:]))


def workbook(home: Path, name: str, sheets: dict[str, pd.DataFrame]) -> Path:
    """Write sheets into a workbook beside a table and return it."""
    path = (home / name).with_suffix(".xlsx")
    buffer = io.BytesIO()
    with pd.ExcelWriter(buffer, engine="openpyxl") as writer:
        for sheet, table in sheets.items():
            table.to_excel(writer, sheet_name=sheet, index=False)
    path.write_bytes(buffer.getvalue())
    return path
