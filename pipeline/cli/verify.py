"""The command that hashes the archive and says what is broken and how to mend it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Annotated, Any

import typer

from snowtally.cli import base
from snowtally.cli.values import size_text

if TYPE_CHECKING:
    from snowtally.inspection.verify import Verified


def verify(
    settings: base.SettingsFile,
    rebuild: Annotated[
        bool,
        typer.Option(
            "--rebuild", help="First make again what is derived: latest.json, index, totals, catalogues, pages."
        ),
    ] = False,
    as_json: base.JsonOption = False,
    verbose: base.VerboseOption = False,
) -> None:
    """Hash the archive, compare it with its records, and list what is broken and how to mend it."""
    chosen = base.read(settings)
    with base.progress(as_json=as_json, verbose=verbose) as stage:
        stage("starting")
        from snowtally.inspection.verify import verify as look
        from snowtally.publishing.publish import rebuild_derived
        from snowtally.report.pages import remake_all

        root, basin, troubles = chosen.archive_root, chosen.basin.id, None
        if rebuild:
            rebuild_derived(root, basin)
            troubles = remake_all(root, basin, chosen.report.units, stage)
        verified = replace(look(root, basin, stage), rebuilt=rebuild)
    base.finish(VerifyResult(basin, chosen.basin.title, verified, troubles), as_json=as_json)


@dataclass(frozen=True)
class VerifyResult(base.Result):
    """What an archive's bytes are against its records.

    Parameters
    ----------
    basin, title : which basin.
    verified : what was looked at and what is broken.
    page_troubles : pages that could not be made again; None where none was to be.
    """

    basin: str
    title: str
    verified: Verified
    page_troubles: list[str] | None = None

    @property
    def status(self) -> base.Status:
        """Failed where something is broken."""
        return base.Status.FAILED if self.verified.troubles else base.Status.OK

    def to_json(self) -> dict[str, Any]:
        """Return what was looked at and each trouble."""
        content = {"basin": self.basin, "sound": not self.verified.troubles, **asdict(self.verified)}
        return content if self.page_troubles is None else content | {"page_troubles": self.page_troubles}

    def to_table(self) -> list[Any]:
        """Return what was looked at, and each trouble with its cure."""
        verified = self.verified
        looked = f"{verified.revisions} revisions, {verified.files} files, {size_text(verified.bytes)} looked at"
        lines = [f"{t.path}: {t.what}. {t.cure}" for t in verified.troubles]
        beside = [f"Not judged: {line}" for line in verified.not_judged] + [f"Lost: {line}" for line in verified.lost]
        if verified.leftovers:
            rest = "a night was cut off, or is at work. `snowtally prune SETTINGS` lists what can go"
            if verified.unknown:
                rest = f"keep them: the record of {', '.join(verified.unknown)} cannot be read and may name them"
            beside.append(f"Left over: {len(verified.leftovers)} archived inputs that no revision names: {rest}")
        pages = [f"The {trouble}" for trouble in self.page_troubles or []]
        if not lines:
            return [f"{self.title}: sound. {looked}", *beside, *pages]
        return [base.styled(f"{self.title}: {len(lines)} troubles", "bold"), *lines, *beside, looked, *pages]
