"""The command that looks at a folder of files and proposes the settings of its basin."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.model.problems import SettingsError, without_controls

if TYPE_CHECKING:
    from snowtally.cli.check import CheckResult
    from snowtally.proposals.proposal import Proposal, Value
    from snowtally.proposals.proposed import Proposed

INCOMPLETE = 2
"""Exit status where questions are open, or something is missing: as of settings that cannot be used."""


def init(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="The folder that holds the basin's files.")],
    settings: Annotated[
        Path | None,
        typer.Option("--settings", metavar="FILE", help="The file to write. Default: settings.yaml in the folder."),
    ] = None,
    yes: Annotated[
        bool, typer.Option("--yes", help="Ask nothing: take the best reading where a wrong one would be noticed later.")
    ] = False,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write even where the file exists. The old file is kept as FILE.1.")
    ] = False,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Look at the files of a folder and write the settings of its basin, each value with its evidence."""
    if not folder.is_dir():
        raise SettingsError(f"{folder} is not a folder. Give the folder that holds the basin's files")
    target = (settings or folder / "settings.yaml").absolute()
    if target.exists() and not replace:
        raise SettingsError(
            f"{target} exists already. Give --replace to write a new one (the old file is kept as {target.name}.1), or --settings FILE"
        )
    asks = not yes and not as_json and sys.stdin.isatty() and sys.stdout.isatty()
    # A progress bar would write over the questions.
    with base.progress(as_json=as_json or asks, verbose=verbose) as stage:
        stage("starting")
        from snowtally.proposals.answers import Answers
        from snowtally.proposals.folder import folder_of
        from snowtally.proposals.propose import propose
        from snowtally.proposals.tables import propose_tables
        from snowtally.proposals.written import write_proposed

        answers = Answers(_ask if asks else None)
        proposed = propose(folder_of(folder, [target]), target.parent, answers, stage, propose_tables)
        result = InitResult(folder, target, proposed, waits=bool(answers.questions) and not yes)
        if not result.waits:
            stage("writing the settings")
            files = tuple(write_proposed(proposed, target))
            result = InitResult(folder, target, proposed, False, files, _checked(target, proposed, stage))
    base.finish(result, as_json=as_json)


def _checked(target: Path, proposed: Proposed, stage: Callable[[str], None]) -> CheckResult | base.Failure | None:
    """Return the check of the newest date with snow; None where there is no such date, or no whole settings."""
    if not proposed.is_whole or proposed.date is None:
        return None
    from snowtally.cli.check import checked
    from snowtally.model.problems import SnowtallyError

    try:
        return checked(base.read(target), proposed.date, stage)
    except SnowtallyError as trouble:
        return base.Failure(str(trouble), base.Status.FAILED)


@dataclass(frozen=True)
class InitResult(base.Result):
    """What was proposed, written and checked.

    Parameters
    ----------
    folder, target : where the files are, and the settings file.
    proposed : the settings, questions and troubles.
    waits : whether questions are open that nobody was asked and `--yes` does not settle: then nothing is written.
    files : what was written, the settings last; empty where nothing was.
    check : of the newest date with snow; a failure where there would be no night.
    """

    folder: Path
    target: Path
    proposed: Proposed
    waits: bool
    files: tuple[Path, ...] = ()
    check: CheckResult | base.Failure | None = None

    @property
    def status(self) -> int:
        """Exit status: incomplete, or that of the check."""
        if not self.files or not self.proposed.is_whole:
            return INCOMPLETE
        return base.Status.OK if self.check is None else self.check.status

    @property
    def next_command(self) -> str:
        """The command to run next; empty where there is none yet."""
        if not self.files or not self.proposed.is_whole:
            return ""
        date = "" if self.proposed.date is None else f" --date {self.proposed.date}"
        return f"snowtally update {shlex.quote(_short(self.target))}{date}"

    @property
    def troubles(self) -> list[str]:
        """What keeps the settings from being used, one line each."""
        lacks = [f"{key} is missing. {cure}" for key, cure in self.proposed.lacks.items()]
        return [*self.proposed.undecided, *lacks]

    def to_json(self) -> dict[str, Any]:
        """Return every proposal, the questions, the troubles, and what was written."""
        proposed = self.proposed
        return {
            "folder": str(self.folder),
            "path": str(self.target) if self.files else None,
            "written": [str(file) for file in self.files],
            "proposals": [_plain(one) for one in proposed.answers.settled],
            "questions": [_plain(one) for one in proposed.answers.questions],
            "troubles": self.troubles,
            "unused": [{"path": str(one.path), "why": one.why} for one in proposed.unused],
            "date": None if proposed.date is None else str(proposed.date),
            "check": None if self.check is None else self.check.to_json(),
            "next": self.next_command,
        }

    def to_table(self) -> list[Any]:
        """Return what was proposed, what is open, and what to do next."""
        proposed = self.proposed
        parts: list[Any] = [base.styled(f"Files of {self.folder}", "bold"), *_proposals(proposed)]
        if proposed.unused:
            parts.append(_grouped([(one.path.name, one.why) for one in proposed.unused], "Not used:"))
        return [*parts, "", *(self._questions() if self.waits else self._written())]

    def _questions(self) -> list[Any]:
        return [
            base.styled("Nothing was written: these questions are open.", "yellow"),
            *map(_question_text, self.proposed.answers.questions),
            *(
                [_listed("Besides, this could not be decided:", list(map(str, self.proposed.refusals)))]
                if self.proposed.refusals
                else []
            ),
            "Run init on a terminal and answer, or give --yes: it takes the first answer wherever a wrong one would be noticed later.",
        ]

    def _written(self) -> list[Any]:
        parts: list[Any] = [f"Written: {', '.join(_short(file) for file in self.files)}"]
        if self.troubles:
            parts.append(
                base.styled("These settings are not ready. Every command refuses them until you have done this:", "red")
            )
            parts.append(_listed(None, self.troubles))
            parts.append(
                "Either correct the files and run init again with --replace, or decide each point in the settings file and take its line "
                f"out under 'undecided'. {UNSAFE}"
            )
            return parts
        taken = self.proposed.answers.questions
        if taken:
            parts.append(_listed("Check these before you trust the first night:", [_taken(one) for one in taken]))
        parts += [] if self.check is None else _check_lines(self.check)
        if self.proposed.date is None:
            parts.append("No record holds snow, so no date was checked.")
        parts.append(base.styled(f"Next: {self.next_command}", "bold"))
        return parts


UNSAFE = (
    "In the files, write a unit into the header, such as Depth (in); a UTC offset behind each time, such as 2031-03-01T06:00-07:00; the "
    "year first in dates, such as 2031-03-01; the unit of a raster into its band."
)
"""How a file says by itself what cannot be guessed."""


def _check_lines(check: CheckResult | base.Failure) -> list[Any]:
    if isinstance(check, base.Failure):
        return [base.styled(f"A night on these files would fail: {check.line}", "red")]
    return check.summary()


def _proposals(proposed: Proposed) -> list[Any]:
    lines: list[Any] = []
    for one in proposed.answers.settled:
        lines += [f"{one.key}: {_shown(one.value)}", base.styled(f"    {one.evidence}", "dim")]
    return lines


def _shown(value: Value) -> str:
    """Return a value for people: the name of a path, `unit inch` for a mapping."""
    if isinstance(value, dict):
        return ", ".join(f"{key} {_shown(inner)}" for key, inner in value.items())
    if isinstance(value, list):
        return ", ".join(map(_shown, value))
    return Path(value).name if isinstance(value, str) and value.startswith("/") else str(value)


def _plain(proposal: Proposal) -> dict[str, Any]:
    return {
        "key": proposal.key,
        "value": proposal.value,
        "evidence": proposal.evidence,
        "others": list(proposal.others),
        "safe": proposal.is_safe,
    }


def _taken(proposal: Proposal) -> str:
    return f"{proposal.key}: {_shown(proposal.value)} was taken, {' or '.join(map(_shown, proposal.others))} is possible too ({proposal.evidence})"


def _listed(title: str | None, lines: list[str]) -> str:
    return "\n".join([*([title] if title else []), *(f"  {line}" for line in lines)])


def _grouped(pairs: list[tuple[str, str]], title: str) -> str:
    """Return names under their reason, each reason once."""
    names: dict[str, list[str]] = {}
    for name, why in pairs:
        names.setdefault(why, []).append(name)
    few = 4
    lines = [
        f"{', '.join(of_one[:few])}{f' and {len(of_one) - few} others' if len(of_one) > few else ''}: {why}"
        for why, of_one in names.items()
    ]
    return _listed(title, lines)


def _short(path: Path) -> str:
    """Return a path from the working folder where it lies below it."""
    here = Path.cwd()
    return str(path.relative_to(here)) if path.is_relative_to(here) else str(path)


# --- questions --------------------------------------------------------------------------------------------------------

TITLES = {
    "basin.zones": "Which outlines are the zones of the basin?",
    "zones.zone_id": "Which attribute identifies a zone?",
    "terrain.elevation": "Which raster is the elevation of the ground?",
    "terrain.elevation_unit": "In which unit are the heights of the elevation raster?",
    "terrain.canopy": "Which raster is the canopy cover?",
    "basin.utc_offset_hours": "How many hours is the standard time of the basin ahead of UTC?",
    "basin.season_start": "On which day (month-day) does the snow season begin?",
}
"""Questions by the last two parts of the key."""

TITLES_OF_A_FORMAT = {
    "clock": "How many hours are the times in this file ahead of UTC?",
    "dates": "In which order do the dates stand?",
    "decimal": "Which mark divides the decimals of a number?",
}
"""The same of keys of a format, which stands in a list."""


def _title(proposal: Proposal) -> str:
    parts = proposal.key.split(".")
    known = TITLES.get(".".join(parts[-2:])) or TITLES_OF_A_FORMAT.get(parts[-1])
    if known:
        return known
    if "columns" in parts:
        return f"How is the column for '{parts[-1]}' to be read?"
    return f"Which value is right for the setting {proposal.key}?"


def _question_text(proposal: Proposal) -> str:
    choices = [proposal.value, *proposal.others]
    lines = [f"  {n}  {_shown(one)}" for n, one in enumerate(choices, 1)]
    return "\n".join([_title(proposal), f"  What the files say: {proposal.evidence}", *lines])


def _ask(proposal: Proposal) -> Value:
    """Ask on the terminal which reading is right, and return it."""
    choices = [proposal.value, *proposal.others]
    base.print_tables(["", _question_text(proposal)])
    default = " [Enter: 1]" if proposal.is_safe else ""
    while True:
        try:
            answer = input(f"Type a number from 1 to {len(choices)}{default}: ").strip()
        except EOFError:
            raise SettingsError("the questions were not answered. Run init again and answer, or give --yes") from None
        if not answer and proposal.is_safe:
            return proposal.value
        if answer.isdigit() and 1 <= int(answer) <= len(choices):
            return choices[int(answer) - 1]
        base.print_tables([f"{without_controls(answer)!r} is not a number from 1 to {len(choices)}."])
