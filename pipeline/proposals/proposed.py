"""The settings that are proposed for a folder, as they grow."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

from snowtally.proposals.answers import Answers
from snowtally.proposals.flight_tables import NewTable
from snowtally.proposals.ground import Ground
from snowtally.proposals.proposal import Proposal, Refusal, UnknownFile, Value
from snowtally.proposals.raster_facts import Box
from snowtally.proposals.write import Draft


@dataclass
class Proposed:
    """What is proposed for a folder.

    Parameters
    ----------
    home : the folder of the settings file.
    draft : the settings.
    answers : every proposal, and the questions that are open.
    new_tables : tables to be written beside the settings.
    refusals : what nothing safe can be proposed for: settings are refused until a person has decided.
    unused : files that no setting names.
    not_looked_at : what waits until the tables can be read.
    date : newest date with snow; None where no record has any.
    """

    home: Path
    draft: Draft
    answers: Answers
    new_tables: list[NewTable] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)
    unused: list[UnknownFile] = field(default_factory=list)
    not_looked_at: list[str] = field(default_factory=list)
    date: dt.date | None = None

    @property
    def undecided(self) -> list[str]:
        """What a person must decide before these settings may be used: questions whose answer would be silent, and refusals."""
        questions = [f"{one.key}: {_readings(one)}? {one.evidence}" for one in self.answers.undecided]
        later = [f"not looked at yet: {what}. Mend the other points and run init again" for what in self.not_looked_at]
        return list(dict.fromkeys([*questions, *map(str, self.refusals), *later]))

    @property
    def is_whole(self) -> bool:
        """Whether nothing is missing and nothing undecided."""
        return not self.lacks and not self.undecided

    @property
    def lacks(self) -> dict[str, str]:
        """The keys that are missing and required, with the cure."""
        return {".".join(parts): " ".join(why) for parts, why in self.draft.missing.items()}


def _readings(proposal: Proposal) -> str:
    """Return a proposal's readings in one line: `inch or cm`."""
    return " or ".join(map(_reading, (proposal.value, *proposal.others)))


def _reading(value: Value) -> str:
    """Return a reading in some words: of a column its unit, where it has one."""
    if isinstance(value, dict):
        return str(value.get("unit") or ", ".join(map(str, value.values())) or "not read")
    return str(value)


def box_of(ground: Ground) -> Box | None:
    """Return the basin's area, that of the elevation where there are no zones; None where nothing shows it."""
    box = ground.zones.layer.box if ground.zones else None
    return ground.elevation.tiles[0].box if box is None and ground.elevation else box
