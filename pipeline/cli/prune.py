"""The command that frees the room of what no revision can name."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli.values import size_text

if TYPE_CHECKING:
    from snowtally.publishing.prune import Pruned


def prune(
    settings: base.SettingsFile,
    older_than_days: Annotated[
        int, typer.Option("--older-than-days", metavar="N", min=7, help="Only what is older than so many days.")
    ] = 30,
    yes: Annotated[bool, typer.Option("--yes", help="Remove what is listed. Without it nothing is removed.")] = False,
    as_json: base.JsonOption = False,
) -> None:
    """List archived inputs and leftovers that no revision can name; with --yes remove them."""
    from snowtally.publishing.prune import prune as look

    chosen = base.read(settings)
    pruned = look(chosen.archive_root, chosen.basin.id, older_than_days, go=yes)
    base.finish(PruneResult(chosen.basin.id, pruned), as_json=as_json)


@dataclass(frozen=True)
class PruneResult(base.Result):
    """What can be removed from an archive, or was."""

    basin: str
    pruned: Pruned

    def to_json(self) -> dict[str, Any]:
        """Return each file with its size and age."""
        return {"basin": self.basin, "bytes": self.pruned.bytes, **asdict(self.pruned)}

    def to_table(self) -> list[Any]:
        """Return what can go or has gone, and the room in all."""
        pruned = self.pruned
        all_files = (*pruned.inputs, *pruned.work)
        counts = (
            f"{len(pruned.inputs)} archived inputs, {len(pruned.work)} leftovers of nights, {size_text(pruned.bytes)}"
        )
        done = f"Removed: {counts}" if pruned.removed else f"Can be removed: {counts}. Nothing was; `--yes` does it"
        return [
            *(f"{one.path}: {size_text(one.bytes)}, {one.age_days:.0f} days old" for one in all_files),
            *(f"Left alone: {line}" for line in pruned.held_back),
            done if all_files else "Nothing to remove",
        ]
