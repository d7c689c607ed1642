"""Make docs/constants.md from the code: `python docs/make_constants.py`, some 25 minutes of one core.

Each numeric constant of the program has its value, unit and reason there; those of the estimate also what half of it and half as much
again do to the demo basin. Figures of constants whose name and value have not changed are taken from the page as it is. Words after the
command: modules to measure, all where none is named; `--all` measures anew what has figures; `--halved` leaves half as much again for
another time; `--quick` measures nothing.

Measured on the demo's cells of 400 m. Sites are left out once, with the constants as they are: weights and errors are then found anew
from these, since leaving sites out takes nine tenths of a night. A change takes 3 s of CPU, 16 where compiled functions hold the
constant.
"""

from __future__ import annotations

import ast
import dataclasses
import datetime as dt
import importlib
import math
import multiprocessing
import re
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
FOLDERS = ("melt", "planning", "snow", "statistics", "terrain")
"""The folders of pipeline/ that make the estimate and the outlook: effects of their constants are measured."""

STRUCTURES = ("Column", "Encoding", "Maker", "Table", "Units", "range", "re.compile")
"""Calls whose numbers are parts of a structure, or counted off, and no choice."""

MOST_OF_VALUE = 160
"""Longest value of a constant outside the estimate, in characters: longer ones are structures and no choice."""

PAGE = ROOT / "docs" / "constants.md"
BEFORE, FLIGHT_DAY, BETWEEN = NIGHTS = ("2031-01-15", "2031-03-27", "2031-04-14")
ASKED = dict.fromkeys(("snow.density", "snow.flight_swe", "snow.settling", "snow.sturm"), (BEFORE, FLIGHT_DAY, BETWEEN)) | dict.fromkeys(
    ("snow.blend", "snow.kriged_sites", "snow.terrain_balance", "snow.terrain_regression"), (BEFORE,)
)  # fmt: skip
"""Nights on which a module's constants are changed; on a flight's own day little but depth and density is asked, and the sites alone
before any flight. The others are changed before any flight and between flights."""

CHANGES = (0.5, 1.5)
CELL_M = 400
OUTLOOK = (
    "melt.albedo",
    "melt.calibration",
    "melt.energy",
    "melt.ensemble",
    "melt.march",
    "melt.weather",
    "melt.ripening",
    "terrain.sun",
)
"""Modules that only the melt outlook asks: what they change is melt, not the night's volume."""

COMPILED = ("melt.albedo", "melt.energy", "melt.march")
"""Modules of these whose constants stand in compiled functions."""

NO_PART = ("snow.density_records", "snow.past_pattern", "terrain.predictors", "planning.survey", "snow.trees")
"""Modules whose constants the demo does not ask: trees need four flights, others earlier seasons; survey is no estimate."""

UNITS = {
    "_MJ_M2_MIN": "MJ/(m2 min)", "_W_M2_K": "W/(m2 K)", "_K_PER_KM": "K/km", "_MM_PER_DAY": "mm/day", "_MM_PER_MM_K": "mm/(mm K)",
    "_SHARE_PER_KM": "1/km", "_PER_DAY": "1/day", "_KG_M3": "kg/m3", "_MJ_KG": "MJ/kg", "_K_HPA": "K/hPa", "_M3": "m3", "_MM": "mm",
    "_KM": "km", "_M": "m", "_MINUTES": "min", "_DAYS": "days", "_DAY": "days", "_DEG": "degrees", "_K": "K", "_C": "deg C",
    "_MJ": "MJ/m2", "_LOG": "logarithm", "_SITES": "sites", "_CELLS": "cells", "_FLIGHTS": "flights", "_NIGHTS": "nights",
}  # fmt: skip
"""Unit by the end of a constant's name; without one of these it is a share, a factor or a count."""


RECKONING, PUBLISHED = "accuracy and cost of the reckoning", "published source"
KINDS = {
    RECKONING: r"[Aa]ccuracy and\s+cost",
    "trial": r"trial worlds|training worlds|made basin|real (?:region|night|record)|demo|docs/method|of CPU|tests/|took|worlds of",
    "common practice": r"common practice|no source",
    PUBLISHED: r"[A-Z][a-z]+,?(?: et al\.| and [A-Z][a-z]+)? (?:19|20)\d\d|handbook|vapour pressure|same source|kJ/kg",
    "reason": "",
}
"""What sets a constant, by words of its text, the first that is found: nothing but how exactly and how fast is reckoned; a trial of
ours; what is usual in the trade; a publication or physics alone; else the reason given."""


@dataclass(frozen=True)
class Constant:
    """A number, or the numbers of one assignment.

    Parameters
    ----------
    module, names : its module and its name; several where one assignment has several.
    value : its value as the code writes it.
    reason : the text under it; that of the next one where several share a text.
    """

    module: str
    names: tuple[str, ...]
    value: str
    reason: str

    @property
    def name(self) -> str:
        """The name, or names, as the page has them."""
        return ", ".join(self.names)

    @property
    def unit(self) -> str:
        """The unit by the name's end, empty for a share, a factor or a count."""
        units = {next((unit for end, unit in UNITS.items() if f"_{name}".endswith(end)), "") for name in self.names}
        return ", ".join(sorted(units - {""}))

    @property
    def kind(self) -> str:
        """What sets it: a key of `KINDS`."""
        return next(kind for kind, words in KINDS.items() if re.search(words, self.reason))

    @property
    def numbers(self) -> int:
        """How many numbers it holds."""
        parts = ast.walk(ast.parse(self.value.replace("\\|", "|")))
        return sum(isinstance(one, ast.Constant) and type(one.value) in (int, float) for one in parts)

    @property
    def row(self) -> str:
        """The start of its row: what does not change unless the code does."""
        return f"| `{self.name}` | {self.value} | {self.unit} | {self.reason} |"


def _modules() -> list[Path]:
    return sorted(path for folder in FOLDERS for path in (ROOT / "pipeline" / folder).rglob("*.py"))


def _other_modules() -> list[Path]:
    paths = [path for folder in ("pipeline", "flows") for path in (ROOT / folder).rglob("*.py")]
    return sorted(set(paths) - set(_modules()))


def _dotted(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removeprefix("pipeline.")


def constants() -> list[Constant]:
    """Return the constants of the estimate, module by module, in their order."""
    return [one for path in _modules() for one in _of_module(path)]


def other_constants() -> list[Constant]:
    """Return the constants of the rest of the program."""
    every = (one for path in _other_modules() for one in _of_module(path))
    return [one for one in every if len(one.value) <= MOST_OF_VALUE]


def _of_module(path: Path) -> Iterator[Constant]:
    text = path.read_text("utf-8")
    body, lines = ast.parse(text).body, text.splitlines()
    for number, statement in enumerate(body):
        if not isinstance(statement, ast.Assign | ast.AnnAssign) or not _has_number(statement.value):
            continue
        target = statement.targets[0] if isinstance(statement, ast.Assign) else statement.target
        names = tuple(ast.unparse(one) for one in (target.elts if isinstance(target, ast.Tuple) else [target]))
        value = " ".join(ast.unparse(statement.value).replace("|", "\\|").split())
        yield Constant(
            _dotted(path) if path.is_relative_to(ROOT) else path.stem,
            names,
            value.removeprefix("(").removesuffix(")")
            if isinstance(statement.value, ast.Tuple) and len(names) > 1
            else value,
            _text(body[number + 1 :]) or _comment(lines[statement.lineno - 1 : statement.end_lineno]),
        )


def _has_number(value: ast.expr | None) -> bool:
    """Return whether numbers are assigned.

    Parts of a structure, and numbers that only pick columns, are no choice.
    """
    if value is None or (isinstance(value, ast.Call) and ast.unparse(value.func) in STRUCTURES):
        return False
    picked = {id(part) for one in ast.walk(value) if isinstance(one, ast.Subscript) for part in ast.walk(one.slice)}
    numbers = (one for one in ast.walk(value) if isinstance(one, ast.Constant) and type(one.value) in (int, float))
    return any(id(one) not in picked for one in numbers)


def _text(following: list[ast.stmt]) -> str:
    """Return the text under an assignment, on one line; assignments above a shared text have it too."""
    for statement in following:
        if isinstance(statement, ast.Expr) and isinstance(statement.value, ast.Constant):
            return " ".join(str(statement.value.value).replace("|", "\\|").split())
        if not isinstance(statement, ast.Assign | ast.AnnAssign):
            break
    return ""


def _comment(lines: list[str]) -> str:
    """Return the comment beside an assignment, on one line."""
    parts = [match[1] for line in lines if (match := re.search(r"\s#\s(?!fmt|noqa)(.*)", line))]
    return " ".join(parts).replace("|", "\\|")


def page(measured: list[Constant], others: list[Constant], effects: dict[str, str]) -> str:
    """Return the page.

    Parameters
    ----------
    measured : constants of the estimate.
    others : those of the rest of the program.
    effects : by `key`.
    """
    kinds = [one.kind for one in measured]
    numbers = sum(one.numbers for one in measured)
    lines = [
        HEAD.format(
            count=len(measured), numbers=numbers, ours=len(measured) - kinds.count(PUBLISHED), others=len(others)
        )
    ]
    lines += ["| set by | constants |", "| --- | --- |", *(f"| {kind} | {kinds.count(kind)} |" for kind in KINDS)]
    for module in dict.fromkeys(one.module for one in measured):
        lines += [
            f"\n## {module}\n",
            "| name | value | unit | reason | volume | its error |",
            "| --- | --- | --- | --- | --- | --- |",
        ]
        lines += [f"{one.row} {effects.get(key(one), NOT_MEASURED)} |" for one in measured if one.module == module]
    lines += ["\n# Constants of the rest of the program"]
    for module in dict.fromkeys(one.module for one in others):
        lines += [f"\n## {module}\n", "| name | value | unit | reason |", "| --- | --- | --- | --- |"]
        lines += [one.row for one in others if one.module == module]
    return "\n".join(lines) + "\n"


HEAD = """# Constants

Made by `python docs/make_constants.py`; do not edit. The estimate and the outlook come first, with what a change of each does to the
demo; the {others} constants of the [rest of the program](#constants-of-the-rest-of-the-program) follow with unit and reason.

# Constants of the estimate

There are {count}, with {numbers} numbers: tables of a publication, spreads by
kind and numbers of columns are one constant. Without those that a published source or physics alone sets there are {ours}. The
reason is the text under the constant in the code.

The last two columns say what happens to the demo basin (cells of 400 m) if the constant is halved / raised by half: by how many per
cent its volume and the volume's standard error change, the largest change of three nights (2031-01-15 before any flight, 2031-03-27 a
flight day, 2031-04-14 between flights). For constants of the melt outlook it is the melt of the ten days after 2031-04-14. Whole
numbers are rounded up. "no part" means that the demo does not ask for it: it has one season and three flights. "fails" means that nothing can be estimated
with such a value, "?" that it was not tried.
"""
NOT_MEASURED = "not measured | not measured"


def key(one: Constant) -> str:
    """Return what a figure holds for: module, name and value."""
    return f"{one.module} {one.name} {one.value}"


def known_effects(measured: list[Constant]) -> dict[str, str]:
    """Return the effects on the page as it is, by `key`.

    Those of constants whose name and value have not changed.
    """
    if not PAGE.exists():
        return {}
    cells = {}
    module = ""
    for line in PAGE.read_text("utf-8").splitlines():
        if line.startswith("## "):
            module = line[3:]
        parts = re.split(r"(?<!\\) ?\| ?", line)
        if len(parts) == 8 and parts[1].startswith("`"):  # noqa: PLR2004  six cells and two ends
            cells[f"{module} {parts[1].strip('`')} {parts[2]}"] = f"{parts[5]} | {parts[6]}"
    return {key(one): cells[key(one)] for one in measured if cells.get(key(one), NOT_MEASURED) != NOT_MEASURED}


def scaled(value: Any, factor: float) -> Any:  # noqa: ANN401  whatever holds numbers
    """Return a number, or all numbers of what holds them, times a factor; whole ones rounded up.

    >>> scaled((3, -0.5, "name"), 1.5)
    (5, -0.75, 'name')
    """
    import numpy as np  # noqa: PLC0415  the page's test needs none

    if isinstance(value, bool | str) or value is None:
        return value
    if isinstance(value, int | float):
        return math.ceil(value * factor) if isinstance(value, int) else value * factor
    if isinstance(value, np.ndarray):
        return np.ceil(value * factor).astype(value.dtype) if value.dtype.kind == "i" else value * factor
    if isinstance(value, dict):
        return {name: scaled(one, factor) for name, one in value.items()}
    if dataclasses.is_dataclass(value):
        return type(value)(**{field: scaled(one, factor) for field, one in vars(value).items()})
    parts = [scaled(one, factor) for one in value]
    return type(value)(*parts) if hasattr(value, "_fields") else tuple(parts)


class Demo:
    """The demo's nights as read, and what the estimate makes of them with constants changed, each change in a process of its own."""

    def __init__(self, folder: Path) -> None:
        """Read the nights."""
        _import_methods()
        from snowtally.gather.day import choices, read_inputs  # noqa: PLC0415
        from snowtally.settings.basin import read_settings  # noqa: PLC0415

        text = (ROOT / "configs" / "larkmoor.yaml").read_text("utf-8")
        text = text.replace("../archive", str(folder / "archive")).replace(
            "../sample_inputs", str(ROOT / "sample_inputs")
        )
        file = folder / "larkmoor.yaml"
        file.write_text(text.replace("cell_m: 100", f"cell_m: {CELL_M}"), "utf-8")
        settings = read_settings(file)
        self.nights, self.left_out, self.before_outlook = {}, {}, None
        for date in dict.fromkeys(NIGHTS):
            day = dt.date.fromisoformat(date)
            self.nights[date] = read_inputs(settings, day, lambda _: None).inputs, choices(settings)

    def base(self) -> dict[str, tuple[float, float]]:
        """Return the figures with the constants as they are; keep what leaving sites out gave, and the day before its outlook."""
        figures, self.left_out = _apart(lambda: self._figures(NIGHTS))
        self.before_outlook = _apart(self._before_outlook)
        return figures | _apart(self._outlook)

    def changed(self, one: Constant, factor: float) -> dict[str, tuple[float, float]] | None:
        """Return the figures with a constant times a factor, None where the estimate fails."""

        def work() -> dict[str, tuple[float, float]] | None:
            for name in one.names:
                _replace(one.module, name, factor)
            if one.module in COMPILED:
                _compile_anew()
            try:
                return (
                    self._outlook()
                    if one.module in OUTLOOK
                    else self._figures(ASKED.get(one.module, (BEFORE, BETWEEN)))[0]
                )
            except Exception:  # noqa: BLE001  a value may be out of any reason
                return None

        return _apart(work)

    def _figures(self, dates: Sequence[str]) -> tuple[dict[str, tuple[float, float]], dict]:
        """Return volume and standard error by night, and the sites left out: those kept, and those that had to be found."""
        from snowtally.estimate.estimate import map_of_day  # noqa: PLC0415
        from snowtally.estimate.swe_map import day_of  # noqa: PLC0415
        from snowtally.snow import blend  # noqa: PLC0415

        told, night = dict(self.left_out), ""
        real = {name: getattr(blend, name) for name in ("sites_left_out", "sites_left_out_before")}

        def remembering(name: str) -> Callable:
            def asked(candidates: Any, ground: Any, date: Any, *rest: Any) -> Any:  # noqa: ANN401
                question = name, night, date
                if question not in told:
                    told[question] = real[name](candidates, ground, date, *rest)
                return told[question]

            return asked

        for name in real:
            setattr(blend, name, remembering(name))
        figures = {}
        for night in dates:
            day = day_of(map_of_day(*self.nights[night]))
            figures[night] = tuple(day.totals[["volume_m3", "volume_se_m3"]].iloc[0].astype(float))
        return figures, told

    def _before_outlook(self) -> tuple[Any, Any]:
        from snowtally.estimate.estimate import map_of_day  # noqa: PLC0415
        from snowtally.estimate.swe_map import day_of  # noqa: PLC0415

        found = map_of_day(*self.nights[BETWEEN])
        return day_of(found), found.inputs

    def _outlook(self) -> dict[str, tuple[float, float]]:
        """Return the basin's melt over the days of the outlook, and the sum of its standard errors, m3."""
        from snowtally.melt.outlook import OutlookInputs, with_outlook  # noqa: PLC0415

        day, inputs = self.before_outlook
        asked = inputs.basin, inputs.ground, inputs.forecast, inputs.albedo, inputs.day.season_start
        table = with_outlook(day, OutlookInputs(*asked)).outlook.table
        basin = table[table["level"] == "basin"]
        return {"outlook": (float(basin["melt_m3"].sum()), float(basin["melt_se_m3"].sum()))}


def _import_methods() -> None:
    """Import the modules: constants are changed in modules that are there."""
    for path in _modules():
        importlib.import_module(f"snowtally.{_dotted(path)}")


def _compile_anew() -> None:
    """Forget kept machine code of `COMPILED`: it holds constants as they were when it was compiled."""
    from numba.core.caching import NullCache  # noqa: PLC0415

    for module in COMPILED:
        for held in vars(sys.modules[f"snowtally.{module}"]).values():
            if hasattr(held, "_cache"):
                held._cache = NullCache()  # noqa: SLF001  numba has no other way but a folder for each change


def _apart(work: Callable[[], Any]) -> Any:  # noqa: ANN401
    """Return what `work` returns in a process of its own, which leaves no trace in this one."""
    context = multiprocessing.get_context("fork")
    here, there = context.Pipe(duplex=False)
    child = context.Process(target=lambda: there.send(work()))
    child.start()
    there.close()
    found = here.recv()
    child.join()
    return found


def _replace(module: str, name: str, factor: float) -> None:
    """Change a constant in its module, wherever it was imported by name, and in defaults and constants made of it."""
    home = sys.modules[f"snowtally.{module}"]
    old = getattr(home, name)
    new = scaled(old, factor)
    for other in [one for path, one in sys.modules.items() if path.startswith("snowtally")]:
        for held, value in list(vars(other).items()):
            if value is old and held == name:
                setattr(other, held, new)
        _replace_defaults(other, old, new)
    for path in _modules():
        text, held = path.read_text("utf-8"), sys.modules.get(f"snowtally.{_dotted(path)}")
        if name not in text or getattr(held, name, None) is not new:
            continue
        for statement in ast.parse(text).body:
            uses = isinstance(statement, ast.Assign) and name in {
                part.id for part in ast.walk(statement.value) if isinstance(part, ast.Name)
            }
            if uses:
                exec(compile(ast.Module([statement], []), path.stem, "exec"), vars(held))  # noqa: S102  our own modules' lines


def _replace_defaults(module: ModuleType, old: object, new: object) -> None:
    for held in list(vars(module).values()):
        for function in [held, *(vars(held).values() if isinstance(held, type) else [])]:
            defaults = getattr(function, "__defaults__", None)
            if isinstance(defaults, tuple) and any(value is old for value in defaults):
                function.__defaults__ = tuple(new if value is old else value for value in defaults)


def effect(base: dict[str, tuple[float, float]], changes: list[dict[str, tuple[float, float]] | None]) -> str:
    """Return the two last cells of a constant's row."""
    if all(change is not None and all(base[date] == figures for date, figures in change.items()) for change in changes):
        return "no part | no part"
    cells = []
    for which in range(2):
        words = []
        for change in changes:
            if change is None:
                words.append("fails")
                continue
            off = [100.0 * (figures[which] / base[date][which] - 1.0) for date, figures in change.items()]
            words.append(f"{max(off, key=abs):+.1f}".replace("-0.0", "0.0").replace("+0.0", "0.0"))
        cells.append(" / ".join([*words, *["?"] * (len(CHANGES) - len(words))]))
    return " | ".join(cells)


def main(words: list[str]) -> None:
    """Write the page, measuring what has no figure yet."""
    measured, others = constants(), other_constants()
    effects = {} if "--all" in words else known_effects(measured)
    changes = CHANGES[:1] if "--halved" in words else CHANGES
    effects |= {key(one): "no part | no part" for one in measured if one.module in NO_PART}
    wanted = [one for one in measured if key(one) not in effects or ("?" in effects[key(one)] and len(changes) > 1)]
    chosen = [word for word in words if not word.startswith("--")]
    if chosen:
        wanted = [one for one in wanted if one.module in chosen]
    if wanted and "--quick" not in words:
        with tempfile.TemporaryDirectory() as folder:
            demo = Demo(Path(folder))
            base = demo.base()
            for one in wanted:
                effects[key(one)] = effect(base, [demo.changed(one, factor) for factor in changes])
                print(key(one)[:60], effects[key(one)], flush=True)  # noqa: T201  a run of minutes tells where it is
                PAGE.write_text(page(measured, others, effects), "utf-8")
    PAGE.write_text(page(measured, others, effects), "utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
